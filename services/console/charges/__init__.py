"""The charge desk: what it keeps, reads, says and does. Its pages stand in ``pages``."""
