"""`python -m weighloop.tui.cli` is the same as `weighloop`."""

from . import main

main()
