"""What the lead's pages are made of: what was asked, words, marks, what to teach, files."""
