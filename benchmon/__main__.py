"""`python -m benchmon` is the command `benchmon`."""

from benchmon.cli import main

main()
