"""What is measured beside our own program: each a process of its own, started by the bench."""
