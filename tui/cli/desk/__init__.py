"""Verbs of the desk: from files and stores to figures, plans and pages."""
