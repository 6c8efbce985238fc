"""What the page for who keeps the system running shows, and what it changes."""
