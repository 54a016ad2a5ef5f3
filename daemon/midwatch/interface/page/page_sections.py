"""The sections of the page that show the night, each from plain values to markup.

Every section has an id; the script replaces those that have changed. Whatever comes from orders,
devices or people is escaped here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from html import escape
from typing import Any
from urllib.parse import quote

from midwatch.bus import slug
from midwatch.interface.console import facts_text, health
from midwatch.interface.page.glance import Glance, Hours, TargetLine, Watched
from midwatch.interface.page.page_ribbon import bar, ribbon
from midwatch.journal.record import LABELS, Ledger
from midwatch.reports import LocalTime, duration, table

# What `health` says of a device that can be relied on.
_WELL = ("at rest", "working")


def urgent(watched: Watched) -> str:
    """Return what is looked at first: what is being done, why, and what comes then."""
    if watched.night is None:
        return _section("now", "<h1>No night is planned yet</h1>")
    return "\n".join(draw(watched.night) for draw in (_now, _why, _ahead))


def further(watched: Watched) -> str:
    """Return everything else that is shown."""
    night = watched.night
    parts = [] if night is None else [draw(night) for draw in _FURTHER]
    return "\n".join([*parts, _devices(watched), _page(watched)])


def _section(name: str, body: str) -> str:
    return f'<section id="{name}">{body}</section>'


def _now(night: Glance) -> str:
    times = LocalTime(night.timezone)
    title, lead = _headline(night, times)
    marks = [
        text
        for text, on in (
            ("Paused by hand: nothing new begins until resume", night.paused),
            ("Closing by hand: this night takes no more frames", night.closing),
        )
        if on and night.phase == "running"
    ]
    warned = "".join(f'<p class="mark">{text}</p>' for text in marks)
    if night.trouble:
        warned += f'<p class="mark">The journal cannot be read: {escape(night.trouble)}</p>'
    return _section("now", f"<h1>{escape(title)}</h1><p>{lead}</p>{warned}")


def _headline(night: Glance, times: LocalTime) -> tuple[str, str]:
    if night.phase == "awaited":
        lead = "Nothing is in the journal of this night yet."
        return f"The night of {night.evening} has not begun", lead
    if night.phase == "ended":
        return f"The night of {night.evening} is over", escape(night.ending)
    doing = night.doing[:1].upper() + night.doing[1:]
    title = f"{doing}: {night.target}" if night.target else doing
    since = "" if night.since_utc_s is None else f"since {times.markup(night.since_utc_s)}"
    return title, since


def _why(night: Glance) -> str:
    times, choice = LocalTime(night.timezone), night.choice
    if choice is None:
        return _section("why", "<h2>Why</h2><p>Nothing was decided yet.</p>")
    body = (
        f"<h2>Why</h2><p><b>{escape(choice.duty)}</b>, decided at "
        f"{times.markup(choice.since_utc_s)}: {escape(choice.reason)}</p>"
    )
    if choice.ruled_out:
        items = "".join(
            f"<li><b>{escape(option)}</b>: {escape(why)}</li>" for option, why in choice.ruled_out
        )
        body += f"<h3>Ruled out</h3><ul>{items}</ul>"
    return _section("why", body)


def _ahead(night: Glance) -> str:
    if night.phase == "ended":
        return _section("ahead", "")
    if night.closing:
        return _section("ahead", "<h2>Then</h2><p>Park, close, warm up, write the report.</p>")
    times = LocalTime(night.timezone)
    items = "".join(
        f"<li>{times.markup(at) if at > night.at_utc_s else 'now'} {escape(what)}</li>"
        for at, what in night.ahead
    )
    after = "after resume, " if night.paused else ""
    return _section(
        "ahead", f'<h2>Then</h2><p>{after}if nothing goes wrong:</p><ol class="ahead">{items}</ol>'
    )


def _hours(night: Glance) -> str:
    times, hours = LocalTime(night.timezone), night.hours
    marks = [
        ("Sunset", hours.sunset_utc_s),
        ("Dusk", hours.dusk_utc_s),
        ("Dawn", hours.dawn_utc_s),
        ("Sunrise", hours.sunrise_utc_s),
    ]
    items = "".join(
        f"<div><dt>{name}</dt><dd>{'never' if at is None else times.markup(at)}</dd></div>"
        for name, at in marks
    )
    return _section(
        "hours",
        f'<h2>The night</h2>{ribbon(night)}<dl class="figures">{items}</dl><p>{_sun(hours)}</p>',
    )


def _sun(hours: Hours) -> str:
    alt_deg = round(hours.sun_alt_deg)
    if alt_deg >= 0:
        return (
            f"<strong>The Sun is up, {alt_deg}°: keep every telescope and finder capped.</strong>"
        )
    return f"The Sun is {-alt_deg}° below the horizon."


def _frame(night: Glance) -> str:
    frame = night.frame
    if frame is None:
        return _section("frame", "<h2>Last frame</h2><p>No frame has a picture yet.</p>")
    times = LocalTime(night.timezone)
    reasons = f": {escape('; '.join(frame.reasons))}" if frame.reasons else ""
    figures = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
        for name, value in frame.measures
    )
    title = escape(frame.title)
    return _section(
        "frame",
        f'<h2>Last frame</h2><div class="picture"><img src="/frame.png?of='
        f'{quote(frame.exposure_id, safe="")}" alt="{title}"></div>'
        f"<p>{title}, begun {times.markup(frame.began_utc_s)}, {escape(frame.grade)}{reasons}</p>"
        f'<dl class="figures">{figures}</dl>',
    )


def _targets(night: Glance) -> str:
    if not night.targets:
        return _section("targets", "<h2>Targets</h2><p>None was planned yet.</p>")
    items = "".join(_target(target) for target in night.targets)
    return _section("targets", f'<h2>Targets</h2><ul class="targets">{items}</ul>')


def _target(target: TargetLine) -> str:
    share = target.counted_s / target.wanted_s if target.wanted_s else 0.0
    note = f"<small>{escape(target.note)}</small>" if target.note else ""
    return (
        f"<li><b>{escape(target.name)}</b> <span>{target.accepted} of {target.wanted} accepted, "
        f"{duration(target.counted_s)} of {duration(target.wanted_s)}</span>"
        f"{bar(share, 'light')}{note}</li>"
    )


def _time_spent(night: Glance) -> str:
    ledger = night.ledger
    if ledger is None or not ledger.seconds:
        return _section("ledger", "<h2>Where the time goes</h2><p>It is not dark yet.</p>")
    rows = [
        (escape(LABELS[cause]), duration(s), f"{s / _total(ledger):.0%}")
        for cause, s in sorted(ledger.seconds.items(), key=lambda item: -item[1])
    ]
    told = table("Since dusk, each second under one cause", ("Cause", "#Time", "#Share"), rows)
    return _section("ledger", f"<h2>Where the time goes</h2>{told}")


def _total(ledger: Ledger) -> int:
    return max(1, sum(ledger.seconds.values()))


def _faults(night: Glance) -> str:
    times = LocalTime(night.timezone)
    if not night.faults:
        return _section("faults", "<h2>Faults</h2><p>None so far.</p>")
    rows = [
        (
            times.markup(fault.began_utc_s),
            "<strong>✕ open</strong>"
            if fault.ended_utc_s is None
            else f"✓ {times.markup(fault.ended_utc_s)}",
            escape(fault.device),
            escape(fault.what),
            escape(fault.remedies) or "none tried",
        )
        for fault in night.faults
    ]
    heads = ("Began", "Ended", "Device", "What", "Tried")
    return _section("faults", f"<h2>Faults</h2>{table('The last faults', heads, rows)}")


def _words(night: Glance) -> str:
    times = LocalTime(night.timezone)
    if not night.spoken:
        return _section("words", "<h2>Said and noted</h2><p>Nothing yet.</p>")
    items = "".join(
        f"<li>{times.markup(word.at_utc_s)} "
        f"{f'<b>{escape(word.who)}</b>: ' if word.who else ''}{escape(word.what)}"
        f"{f' ({escape(word.why)})' if word.why else ''}</li>"
        for word in night.spoken
    )
    return _section("words", f'<h2>Said and noted</h2><ul class="words">{items}</ul>')


_FURTHER: tuple[Callable[[Glance], str], ...] = (
    _hours, _frame, _targets, _time_spent, _faults, _words,
)  # fmt: skip


def _devices(watched: Watched) -> str:
    head = "<h2>Devices</h2>"
    if not watched.connected:
        head += '<p class="mark">The bus cannot be reached: what follows may be old.</p>'
    rows = [_device(name, watched) for name in watched.names]
    return _section("devices", head + table("Devices", ("Device", "Condition", "State"), rows))


def _device(name: str, watched: Watched) -> tuple[str, str, str]:
    device: Mapping[str, Any] | None = watched.devices.get(slug(name))
    if device is None:
        return escape(name), "<strong>✕ not on the bus</strong>", ""
    present = datetime.fromtimestamp(watched.at_utc_s, UTC)
    said = health(device, present, watched.heartbeat_s)
    told = f"✓ {escape(said)}" if said in _WELL else f"<strong>✕ {escape(said)}</strong>"
    return escape(name), told, escape(facts_text(device["state"]))


def _page(watched: Watched) -> str:
    """When this was told, and what the page turned away."""
    at = datetime.fromtimestamp(watched.at_utc_s, UTC)
    zone = watched.night.timezone if watched.night is not None else "UTC"
    local = LocalTime(zone).clock(watched.at_utc_s)
    told = f"Told at {local}:{at:%S} ({escape(zone)})."
    if watched.turned_away:
        counts = ", ".join(
            f"{escape(reason.replace('_', ' '))} {count}"
            for reason, count in sorted(watched.turned_away.items())
        )
        told += f" Turned away by this page: {counts}."
    return _section("told", f"<p>{told}</p>")
