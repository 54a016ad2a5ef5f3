"""Writes the command that rehearses a night of a drill in full detail."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from datetime import date, tzinfo

from midwatch.orders.injected import ScheduledFault

__all__ = ["Replay"]


class Replay:
    """Says how to see a night of a drill again.

    Args:
        orders: file of the night orders, as it was given.
        evening: where it was asked for by hand; None where the orders give it.
        zone: of the site, in whose time faults are written.
    """

    def __init__(self, orders: str, evening: date | None, zone: tzinfo) -> None:
        self._orders = orders
        self._evening = evening
        self._zone = zone

    def faults(self, faults: Sequence[ScheduledFault]) -> list[str]:
        """Return faults as the command line takes them."""
        return [fault.text(self._zone) for fault in faults]

    def parts(self, seed: int, faults: Sequence[ScheduledFault], shuffle: int = 0) -> list[str]:
        """Return the command in parts that each fit a line."""
        shuffled = f" --shuffle {shuffle}" if shuffle else ""
        evening = "" if self._evening is None else f" --evening {self._evening.isoformat()}"
        return [
            f"midwatch rehearse {shlex.quote(self._orders)}{evening}",
            f"--sky fast --seed {seed}{shuffled}",
            *(f"--fault {text}" for text in self.faults(faults)),
        ]

    def command(self, seed: int, faults: Sequence[ScheduledFault], shuffle: int = 0) -> str:
        """Return the command on one line."""
        return " ".join(self.parts(seed, faults, shuffle))
