"""`python -m benchmon` is the command `benchmon`."""

from benchmon.cli.main import main

main()
