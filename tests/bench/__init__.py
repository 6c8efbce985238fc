"""Benchmarks: ratios against peers in the same run. `python -m tests.bench`, see the README."""
