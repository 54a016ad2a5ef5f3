"""The command line: what can be typed, and the entry that runs it."""

from midwatch.interface.cli.entry import main

__all__ = ["main"]
