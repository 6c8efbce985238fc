"""The pages for people: what a site's staff sees, and the desk at which they act."""
