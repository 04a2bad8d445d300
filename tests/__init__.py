"""The tests; `tests/README.md` says which belongs where."""
