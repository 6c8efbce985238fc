"""The forms of a note as text and as a page."""
