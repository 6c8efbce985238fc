"""The adapter to a record behind staging tables."""
