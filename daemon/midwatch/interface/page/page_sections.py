"""The sections of the page that show the night, as plain values for its templates.

Every section has an id in the markup; the script replaces those that have changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from midwatch.bus import slug
from midwatch.instants import all_in_zone
from midwatch.interface.console import device_words, health
from midwatch.interface.page.page_facts import Glance, TargetLine, Watched
from midwatch.interface.page.page_ribbon import Ribbon, filled, ribbon
from midwatch.journal.record import LABELS
from midwatch.reports import Cell, Content, LocalTime, Moment, Table, duration, table

# What `health` says of a device that can be relied on.
_WELL = ("at rest", "working")


@dataclass(frozen=True)
class NowView:
    """What is being done; `marks` are written out so that they are not missed."""

    title: str
    lead: str
    since: Moment | None
    marks: tuple[str, ...]


@dataclass(frozen=True)
class WhyView:
    """The decision in force."""

    duty: str
    at: Moment
    reason: str
    ruled_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class AheadView:
    """What comes if nothing goes wrong; what has no moment comes now."""

    closing: bool
    paused: bool
    steps: tuple[tuple[Moment | None, str], ...]


@dataclass(frozen=True)
class HoursView:
    """The Sun's hours, where the time went between them, and where the Sun is."""

    ribbon: Ribbon | None
    marks: tuple[tuple[str, Moment | None], ...]
    sun_up: bool
    sun_deg: int


@dataclass(frozen=True)
class FrameView:
    """The last frame with a picture; `name` is its own, as an address holds it."""

    name: str
    title: str
    began: Moment
    grade: str
    reasons: str
    measures: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class TargetView:
    """What a target has got; `filled` is the share of what was ordered, in percent."""

    name: str
    got: str
    filled: int
    note: str


@dataclass(frozen=True)
class WordView:
    """Something said or noted; without a name where no person said it."""

    at: Moment
    who: str
    what: str
    why: str


@dataclass(frozen=True)
class NightView:
    """Everything of one night; None where there is nothing to show yet, or nothing more."""

    now: NowView
    why: WhyView | None
    ahead: AheadView | None
    hours: HoursView
    frame: FrameView | None
    targets: tuple[TargetView, ...]
    ledger: Table | None
    faults: Table | None
    words: tuple[WordView, ...]


@dataclass(frozen=True)
class Sections:
    """All that the page shows of night and devices.

    Attributes:
        connected: whether the bus can be reached.
        at: time of day at which this was seen, with its zone.
        turned_away: what the page did not let in, by the reason, or "".
    """

    night: NightView | None
    connected: bool
    devices: Table
    at: str
    turned_away: str


def sections(watched: Watched) -> Sections:
    """Return everything that the page shows of what was seen at one moment."""
    rows = [_device(name, watched) for name in watched.names]
    at = datetime.fromtimestamp(watched.at_utc_s, UTC)
    zone = watched.timezone if watched.night is None else watched.night.timezone
    seen = Sections(
        night=None if watched.night is None else _night(watched.night),
        connected=watched.connected,
        devices=table("Devices", ("Device", "Condition", "State"), rows),
        at=f"{LocalTime(zone).clock(watched.at_utc_s)}:{at:%S} ({zone})",
        turned_away=", ".join(
            f"{reason.replace('_', ' ')} {count}"
            for reason, count in sorted(watched.turned_away.items())
        ),
    )
    return all_in_zone(seen, ZoneInfo(zone))


def _night(night: Glance) -> NightView:
    times = LocalTime(night.timezone)
    return NightView(
        now=_now(night, times),
        why=_why(night, times),
        ahead=_ahead(night, times),
        hours=_hours(night, times),
        frame=_frame(night, times),
        targets=tuple(_target(target) for target in night.targets),
        ledger=_time_spent(night),
        faults=_faults(night, times),
        words=tuple(
            WordView(times.moment(word.at_utc_s), word.who, word.what, word.why)
            for word in night.spoken
        ),
    )


def _now(night: Glance, times: LocalTime) -> NowView:
    title, lead, since = _headline(night, times)
    marks = [
        text
        for text, on in (
            ("Paused by hand: nothing new begins until resume", night.paused),
            ("Closing by hand: this night takes no more frames", night.closing),
        )
        if on and night.phase == "running"
    ]
    if night.trouble:
        marks.append(f"The journal cannot be read: {night.trouble}")
    return NowView(title, lead, since, tuple(marks))


def _headline(night: Glance, times: LocalTime) -> tuple[str, str, Moment | None]:
    if night.phase == "awaited":
        lead = "Nothing is in the journal of this night yet."
        return f"The night of {night.evening} has not begun", lead, None
    if night.phase == "ended":
        return f"The night of {night.evening} is over", night.ending, None
    doing = night.doing[:1].upper() + night.doing[1:]
    title = f"{doing}: {night.target}" if night.target else doing
    return title, "", None if night.since_utc_s is None else times.moment(night.since_utc_s)


def _why(night: Glance, times: LocalTime) -> WhyView | None:
    choice = night.choice
    if choice is None:
        return None
    return WhyView(choice.duty, times.moment(choice.since_utc_s), choice.reason, choice.ruled_out)


def _ahead(night: Glance, times: LocalTime) -> AheadView | None:
    if night.phase == "ended":
        return None
    steps = tuple(
        (times.moment(at) if at > night.at_utc_s else None, what) for at, what in night.ahead
    )
    return AheadView(night.closing, night.paused, steps)


def _hours(night: Glance, times: LocalTime) -> HoursView:
    hours = night.hours
    marks = (
        ("Sunset", hours.sunset_utc_s),
        ("Dusk", hours.dusk_utc_s),
        ("Dawn", hours.dawn_utc_s),
        ("Sunrise", hours.sunrise_utc_s),
    )
    sun_deg = round(hours.sun_alt_deg)
    return HoursView(
        ribbon=ribbon(night),
        marks=tuple((name, None if at is None else times.moment(at)) for name, at in marks),
        sun_up=sun_deg >= 0,
        sun_deg=abs(sun_deg),
    )


def _frame(night: Glance, times: LocalTime) -> FrameView | None:
    frame = night.frame
    if frame is None:
        return None
    return FrameView(
        name=quote(frame.exposure_id, safe=""),
        title=frame.title,
        began=times.moment(frame.began_utc_s),
        grade=frame.grade,
        reasons="; ".join(frame.reasons),
        measures=frame.measures,
    )


def _target(target: TargetLine) -> TargetView:
    got = (
        f"{target.accepted} of {target.wanted} accepted, "
        f"{duration(target.counted_s)} of {duration(target.wanted_s)}"
    )
    share = target.counted_s / target.wanted_s if target.wanted_s else 0.0
    return TargetView(target.name, got, filled(share), target.note)


def _time_spent(night: Glance) -> Table | None:
    ledger = night.ledger
    if ledger is None or not ledger.seconds:
        return None
    total_s = max(1, sum(ledger.seconds.values()))
    rows = [
        (LABELS[cause], duration(s), f"{s / total_s:.0%}")
        for cause, s in sorted(ledger.seconds.items(), key=lambda item: -item[1])
    ]
    caption = "Since dusk, each second under one cause"
    return table(caption, ("Cause", "#Time", "#Share"), rows)


def _faults(night: Glance, times: LocalTime) -> Table | None:
    if not night.faults:
        return None
    rows: list[tuple[Content, ...]] = [
        (
            times.moment(fault.began_utc_s),
            Cell("✕ open", kind="strong")
            if fault.ended_utc_s is None
            else Cell(moment=times.moment(fault.ended_utc_s), sign="✓"),
            fault.device,
            fault.what,
            fault.remedies or "none tried",
        )
        for fault in night.faults
    ]
    return table("The last faults", ("Began", "Ended", "Device", "What", "Tried"), rows)


def _device(name: str, watched: Watched) -> tuple[Content, ...]:
    device: Mapping[str, Any] | None = watched.devices.get(slug(name))
    if device is None:
        return name, Cell("✕ not on the bus", kind="strong"), ""
    present = datetime.fromtimestamp(watched.at_utc_s, UTC)
    said = health(device, present, watched.heartbeat_s)
    condition = Cell(f"✓ {said}") if said in _WELL else Cell(f"✕ {said}", kind="strong")
    return name, condition, device_words(name, device["state"])
