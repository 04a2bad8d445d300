"""Stores with finished runs, and disks that fail."""
