"""Weighloop: weighs a magnet's hysteresis loop with a laboratory balance."""

__version__ = "0.1.0"
