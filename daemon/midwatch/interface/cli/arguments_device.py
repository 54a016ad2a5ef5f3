"""What can be typed after ``midwatch device``."""

from __future__ import annotations

import argparse
from pathlib import Path

from midwatch.interface.cli.argument_values import (
    instant_argument,
    port_argument,
    positive_number,
    whole_number,
)
from midwatch.interface.cli.arguments_shared import add_anchor, add_json


def add_device(parser: argparse.ArgumentParser) -> None:
    """Add what to host, or whom to talk to, and over which broker."""
    parser.add_argument("name", metavar="NAME", help="role of the device, such as camera")
    parser.add_argument(
        "action",
        metavar="ACTION",
        nargs="*",
        help="'state', or 'do COMMAND key=value ...': talk to the running device instead of "
        "hosting it",
    )
    _add_rig_and_broker(parser)
    _add_hosting(parser)
    talking = parser.add_argument_group("talking")
    talking.add_argument(
        "--timeout",
        metavar="SECONDS",
        type=positive_number,
        default=30.0,
        help="give up after this (default: 30)",
    )
    add_json(parser)


def _add_rig_and_broker(parser: argparse.ArgumentParser) -> None:
    source = parser.add_argument_group("where the rig is described (--orders, or --rig and --site)")
    source.add_argument("--orders", metavar="ORDERS", type=Path, help="night orders")
    source.add_argument("--rig", metavar="FILE", type=Path, help="rig file")
    source.add_argument("--site", metavar="FILE", type=Path, help="site file")
    broker = parser.add_argument_group("the broker (default: of the rig file)")
    broker.add_argument("--host", help="host of the broker")
    broker.add_argument("--port", type=port_argument, help="port of the broker (default: 1883)")
    broker.add_argument("--username", help="account at the broker")
    broker.add_argument("--password-file", metavar="FILE", type=Path, help="holds the password")
    broker.add_argument("--ca-file", metavar="FILE", type=Path, help="its authority; means TLS")


def _add_hosting(parser: argparse.ArgumentParser) -> None:
    hosting = parser.add_argument_group("hosting")
    hosting.add_argument(
        "--speed",
        metavar="N",
        type=positive_number,
        default=1.0,
        help="simulated time runs N times as fast as real time (default: 1)",
    )
    hosting.add_argument(
        "--start",
        metavar="ISO",
        type=instant_argument,
        help="when scaled time starts, such as 2027-03-10T16:00Z",
    )
    add_anchor(hosting)
    hosting.add_argument(
        "--seed",
        metavar="N",
        type=whole_number,
        default=1,
        help="of simulated devices (default: 1)",
    )
    hosting.add_argument(
        "--sky", choices=("pixels", "fast"), help="how simulated cameras make their frames"
    )
    hosting.add_argument(
        "--faults",
        metavar="FILE",
        type=Path,
        help="what goes wrong with simulated devices, as midwatch run wrote it",
    )
    hosting.add_argument(
        "--spool",
        metavar="FOLDER",
        type=Path,
        default=Path("night/spool"),
        help="where frames wait until the daemon has filed them (default: ./night/spool)",
    )
