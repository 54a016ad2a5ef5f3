"""Options that commands of several files share."""

from __future__ import annotations

import argparse

from midwatch.interface.cli.argument_values import positive_number


def add_json(parser: argparse.ArgumentParser, what: str = "JSON on standard output") -> None:
    """Add --json."""
    parser.add_argument("--json", action="store_true", help=f"{what}, and nothing else there")


def add_anchor(parser: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """Add --anchor, for time that runs scaled."""
    parser.add_argument(
        "--anchor",
        metavar="SECONDS",
        type=positive_number,
        help="real POSIX time at which scaled time equals --start (default: now)",
    )
