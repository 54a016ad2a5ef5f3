"""Faults that are asked for: on the command line, in a scenario file, or drawn from a seed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Self

import numpy as np
from pydantic import Field, field_validator, model_validator

from midwatch.orders.injected.fault_kinds import FAULT_KINDS, fault_roles
from midwatch.orders.models import RENAMED_FAULTS, Declared, did_you_mean

__all__ = [
    "FaultOrder",
    "FaultTextError",
    "Scenario",
    "ScheduledFault",
    "draw_faults",
    "parse_duration_s",
    "parse_fault",
    "schedule",
]

_NOON_H = 12
_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")
_DURATION = re.compile(r"(\d+(?:\.\d+)?)(s|m|h)")
_UNIT_S = {"s": 1.0, "m": 60.0, "h": 3600.0}
# Of the drawn faults that may stay, so many do.
_STAYING_SHARE = 0.3


class FaultTextError(ValueError):
    """What was written is no fault; the message says what to write instead."""


@dataclass(frozen=True, order=True)
class ScheduledFault:
    """A fault with its instants.

    Attributes:
        from_utc_s: when it begins, POSIX seconds.
        until_utc_s: when it ends; infinity where it lasts for good; its beginning where it is
            over in an instant.
        name: of its kind.
    """

    from_utc_s: float
    until_utc_s: float
    name: str

    def text(self, zone: tzinfo) -> str:
        """Return it as it would be written on the command line, in local time."""
        at = datetime.fromtimestamp(self.from_utc_s, zone).strftime("%H:%M:%S")
        lasts_s = self.until_utc_s - self.from_utc_s
        if lasts_s == 0.0 or lasts_s == float("inf"):
            return f"{self.name}@{at}"
        return f"{self.name}@{at}+{lasts_s:.0f}s"


class FaultOrder(Declared):
    """One fault of a scenario file."""

    fault: str = Field(description="Name of the fault.", examples=["guide-camera-unplugged"])
    at: str = Field(description="Local time of the night, HH:MM or HH:MM:SS.", examples=["02:10"])
    lasts: str | None = Field(
        default=None,
        description="How long, such as 90s, 10m or 1.5h; left out, for good.",
        examples=["10m"],
    )

    @field_validator("fault")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in FAULT_KINDS:
            raise ValueError(_unknown(name))
        return name

    @field_validator("at")
    @classmethod
    def _time(cls, text: str) -> str:
        _time_of_day(text)
        return text

    @field_validator("lasts")
    @classmethod
    def _lasts(cls, text: str | None) -> str | None:
        if text is not None:
            parse_duration_s(text)
        return text

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.lasts is None and FAULT_KINDS[self.fault].must_end:
            raise ValueError(_endless(self.fault, self.at))
        return self


class Scenario(Declared):
    """A file of faults."""

    faults: tuple[FaultOrder, ...] = Field(
        min_length=1,
        description="What goes wrong, and when.",
        examples=[[{"fault": "guide-camera-unplugged", "at": "02:10", "lasts": "10m"}]],
    )


def parse_fault(text: str) -> FaultOrder:
    """Read NAME@TIME or NAME@TIME+DURATION.

    Raises:
        FaultTextError: it is neither, or no fault has this name.
    """
    name, found, rest = text.partition("@")
    if not found:
        raise FaultTextError(f"{text!r} has no time; write it as guide-camera-unplugged@02:10+10m")
    if name not in FAULT_KINDS:
        raise FaultTextError(_unknown(name))
    at, lasting, lasts = rest.partition("+")
    try:
        _time_of_day(at)
        if lasting:
            parse_duration_s(lasts)
    except ValueError as error:
        raise FaultTextError(f"{text!r}: {error}") from None
    if lasting and FAULT_KINDS[name].instant:
        raise FaultTextError(f"{name} is over in an instant; write it without +{lasts}")
    if not lasting and FAULT_KINDS[name].must_end:
        raise FaultTextError(_endless(name, at))
    return FaultOrder(fault=name, at=at, lasts=lasts if lasting else None)


def parse_duration_s(text: str) -> float:
    """Read 90s, 10m or 1.5h; returns seconds.

    Raises:
        ValueError: it is none of these.
    """
    match = _DURATION.fullmatch(text)
    if match is None or float(match[1]) <= 0.0:
        raise ValueError(f"{text!r} is no duration; write it as 90s, 10m or 1.5h")
    return float(match[1]) * _UNIT_S[match[2]]


def schedule(orders: Iterable[FaultOrder], evening: date, zone: tzinfo) -> list[ScheduledFault]:
    """Put faults into the night of an evening, noon to noon in its zone; earliest first."""
    found = []
    for order in orders:
        hour, minute, second = _time_of_day(order.at)
        day = evening if hour >= _NOON_H else evening + timedelta(days=1)
        at = datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=zone)
        from_s = at.timestamp()
        until_s = float("inf")
        if order.lasts is not None:
            until_s = from_s + parse_duration_s(order.lasts)
        elif FAULT_KINDS[order.fault].instant:
            until_s = from_s
        found.append(ScheduledFault(from_s, until_s, order.fault))
    return sorted(found)


def draw_faults(
    rng: np.random.Generator,
    roles: Sequence[str],
    from_utc_s: float,
    until_utc_s: float,
    *,
    most: int = 5,
    among: Sequence[str] | None = None,
) -> list[ScheduledFault]:
    """Draw up to `most` faults that a rig can show, at instants of a night; earliest first.

    Args:
        rng: the source of chance.
        roles: of the rig's devices.
        from_utc_s: earliest beginning.
        until_utc_s: latest beginning.
        most: the number is drawn evenly from 1 to this.
        among: names to draw from; all that the rig can show by default.
    """
    shown = fault_roles(roles)
    names = [
        name
        for name, kind in FAULT_KINDS.items()
        if (among is None or name in among) and (kind.role is None or kind.role in shown)
    ]
    found = []
    for _ in range(int(rng.integers(1, most + 1))):
        kind = FAULT_KINDS[names[int(rng.integers(len(names)))]]
        begins_s = round(float(rng.uniform(from_utc_s, until_utc_s)))
        stays = kind.may_stay and float(rng.random()) < _STAYING_SHARE
        low, high = kind.drawn_s
        # Short ones are as likely as long ones on the scale of ratios.
        lasts_s = round(low * (high / low) ** float(rng.random())) if high > 0.0 else 0
        until_s = float("inf") if stays else float(begins_s + lasts_s)
        found.append(ScheduledFault(float(begins_s), until_s, kind.name))
    return sorted(found)


def _time_of_day(text: str) -> tuple[int, int, int]:
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is no time of day; write it as 02:10 or 02:10:30")
    hour, minute, second = (int(part or 0) for part in match.groups())
    return hour, minute, second


def _endless(name: str, at: str) -> str:
    return (
        f"after {name} nothing goes on until the daemon is started again; say when that is, "
        f"such as {name}@{at}+5m on the command line, or lasts: 5m in a file"
    )


def _unknown(name: str) -> str:
    if name in RENAMED_FAULTS:
        return f"{name} has another name today; write {RENAMED_FAULTS[name]}"
    near = did_you_mean(name, FAULT_KINDS, 0.6)
    return f"no fault is called {name!r}; " + (near or "`midwatch schema faults` lists them")
