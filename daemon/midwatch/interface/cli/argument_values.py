"""Reads single values of the command line, and says what to write where one makes no sense."""

from __future__ import annotations

import argparse
import math
import re
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from midwatch.orders.injected import FaultOrder


def date_argument(text: str) -> date:
    """Read a date such as 2027-03-10."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write it as 2027-03-10") from None


def instant_argument(text: str) -> datetime:
    """Read an instant with its zone, such as 2027-03-10T16:00Z, and return it in UTC."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no instant with a zone; write it as 2027-03-10T16:00Z"
        )
    return when.astimezone(UTC)


def time_argument(text: str) -> tuple[int, int, int]:
    """Read a time of day, HH:MM or HH:MM:SS."""
    match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?", text)
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no time of day; write it as 23:40")
    hour, minute, second = (int(part or 0) for part in match.groups())
    return hour, minute, second


def fault_argument(text: str) -> FaultOrder:
    """Read a fault such as guide-camera-unplugged@02:10+10m."""
    # Only who injects faults waits for the models to be imported.
    from midwatch.orders.injected import FaultTextError, parse_fault

    try:
        return parse_fault(text)
    except FaultTextError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def positive_number(text: str) -> float:
    """Read a number above zero."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number > 0.0):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above zero")
    return number


def whole_number(text: str) -> int:
    """Read a whole number from zero."""
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 0")
    return int(text)


def count_argument(text: str) -> int:
    """Read a whole number from one."""
    number = whole_number(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 1")
    return number


def port_argument(text: str) -> int:
    """Read a port number."""
    number = whole_number(text)
    if not 1 <= number <= 65535:
        raise argparse.ArgumentTypeError(f"port {text} is not within 1 to 65535")
    return number


def page_argument(text: str) -> tuple[str | None, int]:
    """Read where to serve a page: PORT, HOST:PORT or [IPV6]:PORT."""
    host, colon, port = text.rpartition(":")
    if not colon:
        return None, port_argument(port)
    return host.strip("[]") or None, port_argument(port)
