"""A simulated patient record with faults, and staff who enter lines by hand; all invented."""
