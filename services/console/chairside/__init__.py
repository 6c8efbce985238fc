"""What the board beside the patient shows, and what is told from it."""
