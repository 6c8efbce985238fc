"""The notes desk: lists of notes, one note, what was sent of it, and what became of that."""
