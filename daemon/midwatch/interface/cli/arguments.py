"""What can be typed: every command with its options, and the help that explains them.

Only the standard library is imported, so that help and mistyped commands are answered at once.
"""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path

from midwatch import __version__
from midwatch.interface.cli.argument_values import (
    date_argument,
    fault_argument,
    instant_argument,
    page_argument,
    positive_number,
    time_argument,
    whole_number,
)
from midwatch.interface.cli.arguments_device import add_device
from midwatch.interface.cli.arguments_drill import add_drill
from midwatch.interface.cli.arguments_help import EXIT_CODES, HELP, WIDTH
from midwatch.interface.cli.arguments_measure import add_measure
from midwatch.interface.cli.arguments_polar import add_polar
from midwatch.interface.cli.arguments_shared import add_anchor, add_json


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line; `command` names what was chosen."""
    parser = argparse.ArgumentParser(
        prog="midwatch",
        description="Midwatch runs an imaging night by itself: declared, rehearsed, watched, "
        "accounted for.",
        epilog=EXIT_CODES + "\nstart with: midwatch rehearse configs/orders/first-night.yaml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"midwatch {__version__}")
    _add_loudness(parser, is_command=False)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (summary, description) in HELP.items():
        command = commands.add_parser(
            name,
            help=summary,
            description=textwrap.fill(description, WIDTH),
            epilog=EXIT_CODES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        _add_loudness(command, is_command=True)
        _FILLERS[name](command)
    return parser


def _add_loudness(parser: argparse.ArgumentParser, *, is_command: bool) -> None:
    # Before or after the command: there, no default may overwrite what was given before it.
    default = argparse.SUPPRESS if is_command else 0
    loudness = parser.add_mutually_exclusive_group()
    loudness.add_argument(
        "-v",
        "--verbose",
        dest="loudness",
        action="store_const",
        const=1,
        default=default,
        help="log what is done; -vv: debug, and tracebacks of errors",
    )
    loudness.add_argument(
        "-vv", dest="loudness", action="store_const", const=2, default=default,
        help=argparse.SUPPRESS,
    )  # fmt: skip
    loudness.add_argument(
        "-q",
        "--quiet",
        dest="loudness",
        action="store_const",
        const=-1,
        default=default,
        help="log errors only",
    )


# Parts that several commands share ----------------------------------------------------------


def _add_orders(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "orders", metavar="ORDERS", type=Path, help="night orders; they name site and rig"
    )


def _add_out(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out",
        metavar="FOLDER",
        type=Path,
        default=Path("night"),
        help="data folder: journal.sqlite, and a folder for each night (default: ./night)",
    )


def _add_evening(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--evening",
        metavar="DATE",
        type=date_argument,
        help="local date of the evening, 2027-03-10 (default: of the orders, else tonight)",
    )


def _add_meeting_point(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--orders",
        metavar="ORDERS",
        type=Path,
        help="night orders whose rig file names the broker (default: what the run left in --out)",
    )
    _add_out(parser)


# The commands -------------------------------------------------------------------------------


def _check(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    _add_out(parser)
    parser.add_argument(
        "--rig",
        action="store_true",
        help="bring the devices up as well, ask each for its state, and cool the camera to see "
        "what its cooler holds",
    )
    parser.add_argument("--quick", action="store_true", help="with --rig: do not cool the camera")
    add_json(parser)


def _plan(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    _add_out(parser)
    add_json(parser)


def _polar(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    add_polar(parser)
    _add_simulation(parser)
    _add_faults(parser)
    _add_out(parser)
    add_json(parser)


def _add_simulation(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--seed",
        metavar="N",
        type=whole_number,
        help="start of every random number: the same seed, the same night (default: of the orders)",
    )
    parser.add_argument(
        "--sky",
        choices=("pixels", "fast"),
        default="pixels",
        help="pixels: simulated cameras render the sky, and everything is measured on frames; "
        "fast: they report numbers, for a result in seconds (default: pixels)",
    )


def _add_faults(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--fault",
        metavar="NAME@TIME[+DURATION]",
        dest="faults",
        action="append",
        type=fault_argument,
        default=[],
        help="have something go wrong at a local time, for good or for a duration, such as "
        "guide-camera-unplugged@02:10+10m; may be given again ('midwatch schema faults' lists "
        "the names)",
    )
    parser.add_argument(
        "--scenario", metavar="FILE", type=Path, help="a file of faults, besides those given here"
    )


def _rehearse(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    _add_simulation(parser)
    _add_faults(parser)
    parser.add_argument(
        "--shuffle",
        metavar="N",
        type=whole_number,
        default=0,
        help="have what is due at the same instant happen in another order, drawn from N: it must "
        "not matter to the night (default: 0, in the order in which it was planned)",
    )
    _add_out(parser)
    add_json(parser, "night.json on standard output")


def _drill(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    add_drill(parser)
    add_json(parser, "the whole result as JSON on standard output")


def _run(parser: argparse.ArgumentParser) -> None:
    _add_orders(parser)
    _add_evening(parser)
    _add_out(parser)
    parser.add_argument(
        "--speed",
        metavar="N",
        type=positive_number,
        default=1.0,
        help="run N times as fast as real time, for simulated devices (default: 1)",
    )
    parser.add_argument(
        "--start",
        metavar="ISO",
        type=instant_argument,
        help="when scaled time starts, such as 2027-03-10T16:00Z",
    )
    add_anchor(parser)
    _add_simulation(parser)
    _add_faults(parser)
    parser.add_argument(
        "--no-devices",
        action="store_true",
        help="start no device processes: others host the devices",
    )
    parser.add_argument(
        "--every-night", action="store_true", help="arm again at each local noon, until stopped"
    )
    parser.add_argument(
        "--page",
        metavar="[HOST:]PORT",
        type=page_argument,
        help="serve the operator's page there (default: as the rig file says, else no page)",
    )
    add_json(parser, "night.json on standard output")


def _status(parser: argparse.ArgumentParser) -> None:
    _add_meeting_point(parser)
    add_json(parser)


def _order(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--why", metavar="TEXT", help="the reason, for the journal")
    _add_meeting_point(parser)
    add_json(parser)


def _change(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "new_orders", metavar="NEW-ORDERS", type=Path, help="night orders that are to hold from now"
    )
    _order(parser)


def _skip(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "target", metavar="TARGET", nargs="?", help="as the orders name it (default: the present)"
    )
    _order(parser)


def _why(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "time", metavar="HH:MM", type=time_argument, help="local time at the site, or HH:MM:SS"
    )
    _add_night(parser)
    parser.add_argument(
        "--utc", action="store_true", help="the time is UTC, and so are the answers"
    )
    add_json(parser)


def _report(parser: argparse.ArgumentParser) -> None:
    _add_night(parser)
    add_json(parser, "night.json on standard output")


def _add_night(parser: argparse.ArgumentParser) -> None:
    _add_out(parser)
    parser.add_argument(
        "--night", metavar="DATE", help="the night, by its evening (default: the latest)"
    )
    parser.add_argument(
        "--orders",
        metavar="ORDERS",
        type=Path,
        help="take site and limits from these instead of what the night's folder keeps",
    )


def _schema(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "what",
        help="orders, site, rig, scenario: the files you write; faults: the names of faults that "
        "can be injected; night: night.json; drill: drill.json; bus: AsyncAPI document",
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="write there instead of standard output"
    )


_FILLERS = {
    "check": _check,
    "plan": _plan,
    "polar": _polar,
    "rehearse": _rehearse,
    "drill": _drill,
    "run": _run,
    "status": _status,
    "pause": _order,
    "resume": _order,
    "skip": _skip,
    "close": _order,
    "change": _change,
    "why": _why,
    "report": _report,
    "measure": add_measure,
    "device": add_device,
    "schema": _schema,
}
