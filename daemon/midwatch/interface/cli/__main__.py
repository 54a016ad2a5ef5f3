"""Lets ``python -m midwatch.interface.cli`` run the command line."""

import sys

from midwatch.interface.cli.entry import main

if __name__ == "__main__":
    sys.exit(main())
