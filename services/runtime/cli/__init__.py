"""The ``gomphosis`` command line."""
