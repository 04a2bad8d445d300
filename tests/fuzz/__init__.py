"""Random bytes for every reader of what comes from outside; what was found is replayed by the tests."""
