"""The options of a drill."""

from __future__ import annotations

import argparse
from pathlib import Path

from midwatch.interface.cli.argument_values import count_argument, whole_number


def add_drill(parser: argparse.ArgumentParser) -> None:
    """Add what only a drill takes."""
    parser.add_argument(
        "--nights", metavar="N", type=count_argument, default=100,
        help="how many nights to rehearse (default: 100)",
    )  # fmt: skip
    parser.add_argument(
        "--seed", metavar="S", type=whole_number,
        help="from which seeds and faults of all nights are drawn (default: of the orders)",
    )  # fmt: skip
    parser.add_argument(
        "--faults", metavar="MOST", dest="most", type=whole_number, default=5,
        help="draw from 1 to so many faults for each night; 0 draws none (default: 5)",
    )  # fmt: skip
    parser.add_argument(
        "--scenario", metavar="FILE", type=Path,
        help="a file of faults that every night has, besides those drawn",
    )  # fmt: skip
    parser.add_argument(
        "--jobs", metavar="J", type=count_argument,
        help="nights at a time (default: one for each processor)",
    )  # fmt: skip
    parser.add_argument(
        "--out", metavar="FOLDER", type=Path, help="write the result there as drill.json as well"
    )
    parser.set_defaults(faults=[])
