"""The worker services of gomphosis, one folder each, none importing another."""
