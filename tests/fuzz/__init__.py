"""The fuzz campaign: mutated input for every parser. See ``python -m tests.fuzz --help``."""
