"""Owns the serial ports, the procedure and the store, and serves clients."""
