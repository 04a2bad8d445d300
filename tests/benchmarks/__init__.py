"""Benchmarks: `python -m tests.benchmarks` prints their tables."""
