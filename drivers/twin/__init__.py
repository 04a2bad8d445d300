"""The bench twin: a virtual balance, lift and sample behind real serial ports."""
