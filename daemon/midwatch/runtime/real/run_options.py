"""How to run a night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from midwatch.bus import BrokerSettings
from midwatch.orders.injected import ScheduledFault
from midwatch.runtime.night import SkyMode
from midwatch.tasks import Tasks

__all__ = ["RunOptions"]


@dataclass(frozen=True)
class RunOptions:
    """How to run a night.

    Attributes:
        speed: 1 is real time; above, simulated devices run scaled from ``start``.
        anchor_unix_s: real POSIX time at which scaled time equals ``start``; None is now.
        spawn_devices: start one process for each device of the rig.
        faults: what simulated devices show.
        turned_away: says what the operator's page did not let in; None without one.
        tasks: keeps the watches of this process; None where nothing outlasts the night.
    """

    data_folder: Path
    evening: date | None
    seed: int | None
    speed: float
    start: datetime | None
    bus: BrokerSettings
    spawn_devices: bool
    sky_mode: SkyMode = "pixels"
    anchor_unix_s: float | None = None
    faults: tuple[ScheduledFault, ...] = ()
    turned_away: Callable[[], dict[str, int]] | None = None
    tasks: Tasks | None = None
