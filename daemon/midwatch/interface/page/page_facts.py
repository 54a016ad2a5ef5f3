"""What the page shows of a night at one moment, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from midwatch.journal.record import Ledger

Phase = Literal["awaited", "running", "ended"]


@dataclass(frozen=True)
class Hours:
    """The Sun's hours of a night, POSIX seconds UTC, and how high the Sun is, degrees."""

    sunset_utc_s: float | None
    dusk_utc_s: float
    dawn_utc_s: float
    sunrise_utc_s: float | None
    sun_alt_deg: float


@dataclass(frozen=True)
class Choice:
    """The decision in force."""

    since_utc_s: float
    duty: str
    reason: str
    ruled_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class TargetLine:
    """What a target has got; `counted_s` and `wanted_s` are exposure times."""

    name: str
    accepted: int
    wanted: int
    counted_s: float
    wanted_s: float
    note: str


@dataclass(frozen=True)
class FaultLine:
    """A fault, and what was done about it; `ended_utc_s` is None while it is open."""

    began_utc_s: float
    ended_utc_s: float | None
    device: str
    what: str
    remedies: str


@dataclass(frozen=True)
class Spoken:
    """An order by hand, as the journal has it."""

    at_utc_s: float
    who: str
    what: str
    why: str


@dataclass(frozen=True)
class LastFrame:
    """The last frame with a preview, and what was measured on it."""

    exposure_id: str
    began_utc_s: float
    title: str
    grade: str
    reasons: tuple[str, ...]
    measures: tuple[tuple[str, str], ...]
    preview: Path


@dataclass(frozen=True)
class Glance:
    """A night at one moment; times are POSIX seconds UTC.

    Attributes:
        evening: of the night, as the journal names it.
        doing, since_utc_s: the cause that time goes to now.
        ahead: what comes if nothing goes wrong, in the order of time.
        ledger: from dusk until now; None before dusk.
        trouble: why this may be out of date, or "".
    """

    at_utc_s: float
    site: str
    rig: str
    timezone: str
    evening: str
    phase: Phase
    doing: str
    since_utc_s: float | None
    target: str | None
    paused: bool
    closing: bool
    ending: str
    choice: Choice | None
    ahead: tuple[tuple[float, str], ...]
    hours: Hours
    ledger: Ledger | None
    targets: tuple[TargetLine, ...]
    faults: tuple[FaultLine, ...]
    spoken: tuple[Spoken, ...]
    frame: LastFrame | None
    trouble: str = ""


@dataclass(frozen=True)
class Watched:
    """A glance at the night together with what the devices say.

    Attributes:
        at_utc_s: by the clock of the night.
        names: of the rig's devices.
        devices: by name, as `parsed_devices` gives them.
        connected: whether the bus can be reached.
        turned_away: what the page did not let in, by the reason.
        timezone: of the site; all times are shown in it.
    """

    at_utc_s: float
    night: Glance | None
    names: tuple[str, ...]
    devices: Mapping[str, Mapping[str, Any]]
    heartbeat_s: float
    connected: bool
    turned_away: Mapping[str, int]
    timezone: str = "UTC"
