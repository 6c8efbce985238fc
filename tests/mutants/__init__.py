"""A mutation run on the pure core: small faults are put in one by one, and some test must fail."""
