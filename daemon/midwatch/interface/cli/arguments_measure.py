"""The options of measuring frames."""

from __future__ import annotations

import argparse
from pathlib import Path

from midwatch.interface.cli.argument_values import positive_number
from midwatch.interface.cli.arguments_shared import add_json


def _place(text: str) -> tuple[float, float]:
    """Read a right ascension and a declination, in degrees or as text, parted by a comma."""
    from midwatch.orders.models import AngleError, parse_dec_deg, parse_ra_deg

    ra, comma, dec = text.partition(",")
    if not comma:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no place; write 83.82,-5.39 or 05h35m17s,-05d23m28s"
        )
    try:
        return parse_ra_deg(_number_or_text(ra)), parse_dec_deg(_number_or_text(dec))
    except AngleError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _number_or_text(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def add_measure(parser: argparse.ArgumentParser) -> None:
    """Add what measuring takes."""
    parser.add_argument(
        "frames", metavar="FRAME", type=Path, nargs="+", help="FITS files, compressed ones too"
    )
    parser.add_argument("--solve", action="store_true", help="say where each frame points as well")
    parser.add_argument(
        "--near", metavar="RA,DEC", type=_place,
        help="where that is about: degrees, or 05h35m17s,-05d23m28s (default: of the header)",
    )  # fmt: skip
    parser.add_argument(
        "--radius", metavar="DEGREES", type=positive_number,
        help="how far from there to search (default: 1)",
    )  # fmt: skip
    parser.add_argument(
        "--scale", metavar="ARCSEC", type=positive_number,
        help="arcseconds a pixel, good to 5 percent (default: of the header)",
    )  # fmt: skip
    parser.add_argument(
        "--index-folder", metavar="FOLDER", type=Path, help="installed index files with more stars"
    )
    add_json(parser)
