"""Everything a person types or sees: the screen and the command line."""
