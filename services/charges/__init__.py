"""What may be charged for a study, line by line, with reasons."""
