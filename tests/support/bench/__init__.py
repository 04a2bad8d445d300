"""Whole benches without threads or ports, honest and hostile, and runs taken on them."""
