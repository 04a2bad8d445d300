"""The screen driven on a script, and looked at as a terminal, a browser or a colour-blind person shows it."""
