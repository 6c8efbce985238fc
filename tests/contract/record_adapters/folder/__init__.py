"""The adapter to a folder."""
