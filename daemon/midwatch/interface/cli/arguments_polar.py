"""What can be typed after ``midwatch polar``, besides what it shares with other commands."""

from __future__ import annotations

import argparse

from midwatch.interface.cli.argument_values import instant_argument, positive_number, whole_number


def add_polar(parser: argparse.ArgumentParser) -> None:
    """Add how to measure, how to guide, and where: rehearsed or real."""
    _add_measuring(parser.add_argument_group("measuring"))
    _add_knobs(parser.add_argument_group("at the knobs"))
    _add_where(parser.add_argument_group("for real, or not"))


def _add_measuring(measuring: argparse._ArgumentGroup) -> None:
    measuring.add_argument(
        "--method",
        choices=("frames", "drift"),
        default="frames",
        help="frames: solved frames at three hour angles; drift: how two fields creep while they "
        "are tracked, for a sky that is partly hidden (default: frames)",
    )
    measuring.add_argument(
        "--frames",
        metavar="N",
        type=_some,
        default=3,
        help="frames at each of the three fields (default: 3)",
    )
    measuring.add_argument(
        "--minutes",
        metavar="M",
        type=positive_number,
        default=5.0,
        help="how long each of the two fields is tracked for drift (default: 5)",
    )
    measuring.add_argument(
        "--exposure-s",
        metavar="SECONDS",
        type=positive_number,
        help="exposure of a frame to solve (default: that of centring in the rig file)",
    )
    measuring.add_argument(
        "--keep-focus",
        action="store_true",
        help="leave the focuser where it is (default: send it to the rig file's start position)",
    )


def _add_knobs(knobs: argparse._ArgumentGroup) -> None:
    knobs.add_argument(
        "--tolerance-arcmin",
        metavar="ARCMIN",
        type=positive_number,
        default=2.0,
        help="guidance ends when the axis is this near to the pole (default: 2)",
    )
    knobs.add_argument("--measure-only", action="store_true", help="measure, and turn no knob")
    knobs.add_argument("--confirm", action="store_true", help="measure once more at the end")


def _add_where(where: argparse._ArgumentGroup) -> None:
    where.add_argument(
        "--rehearse",
        action="store_true",
        help="with simulated devices and a simulated person at the knobs, from dusk on",
    )
    where.add_argument(
        "--yes", action="store_true", help="the mount may move: do not ask before it does"
    )
    where.add_argument(
        "--no-devices",
        action="store_true",
        help="start no device processes: others host the devices",
    )
    where.add_argument(
        "--speed",
        metavar="N",
        type=positive_number,
        default=1.0,
        help="run N times as fast as real time, for simulated devices (default: 1)",
    )
    where.add_argument(
        "--start",
        metavar="ISO",
        type=instant_argument,
        help="when scaled time starts, such as 2027-03-10T19:30Z",
    )


def _some(text: str) -> int:
    number = whole_number(text)
    if not 1 <= number <= 20:
        raise argparse.ArgumentTypeError(f"{number} is not within 1 to 20")
    return number
