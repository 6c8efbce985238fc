"""A site's own node sends on to the group what it has kept."""
