"""Verbs of the bench: ports, daemon, screen, twin and what is in the store."""
