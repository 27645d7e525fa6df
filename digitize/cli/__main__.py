"""``python -m digitize.cli``."""

from digitize.cli.app import main

main()
