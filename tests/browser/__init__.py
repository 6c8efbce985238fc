"""The console as a real process, seen in a real Chromium."""
