"""Stand-in records, each a process of its own, that also misbehave."""
