"""`python -m weighloop.tui.command_line` is the same as `weighloop`."""

from . import main

main()
