"""`python -m meterlink`: the command line without an installed script."""

from meterlink.cli import main

main()
