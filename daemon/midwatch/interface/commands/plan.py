"""midwatch plan: what the night allows."""

from __future__ import annotations

import argparse
import shutil
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from midwatch.clock import iso_utc
from midwatch.interface.console import (
    ASCII,
    UNICODE,
    altitude_chart,
    drawable,
    heading,
    hour_line,
    hours_text,
    local_text,
    say,
    say_json,
    table,
)
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan, plan_night
from midwatch.runtime.files import evening_of, load_orders
from midwatch.runtime.folder import Learnings, learnings_of, sky_content, sky_text
from midwatch.sequencer.decision import Forecast, forecast
from midwatch.sky import moon_altaz, moon_separation_deg, time_at_hour_angle

_WIDEST = 110
# The Moon moves by its own width in an hour.
_MOON_STEP_S = 600.0


def execute(args: argparse.Namespace) -> int:
    """Show the plan of one night."""
    night = load_orders(args.orders)
    plan = plan_night(night, evening_of(night, args.evening))
    ahead = forecast(night, plan)
    learned = learnings_of(night, args.out)
    if args.json:
        say_json(plan_content(night, plan, ahead, learned))
        return 0
    _show(night, plan, ahead, learned)
    return 0


# For programs ---------------------------------------------------------------------------------


def plan_content(
    night: Night, plan: NightPlan, ahead: Forecast, learned: Learnings
) -> dict[str, Any]:
    """Everything that the plan shows, with times in ISO 8601 UTC."""
    events = plan.events
    return {
        "evening": plan.evening.isoformat(),
        "site": night.site.name,
        "rig": night.rig.name,
        "timezone": night.site.timezone,
        "sunset": iso_utc(events.sunset_utc_s),
        "civil_dusk": iso_utc(events.civil_dusk_utc_s),
        "nautical_dusk": iso_utc(events.nautical_dusk_utc_s),
        "astronomical_dusk": iso_utc(events.astronomical_dusk_utc_s),
        "astronomical_dawn": iso_utc(events.astronomical_dawn_utc_s),
        "nautical_dawn": iso_utc(events.nautical_dawn_utc_s),
        "civil_dawn": iso_utc(events.civil_dawn_utc_s),
        "sunrise": iso_utc(events.sunrise_utc_s),
        "lowest_sun_deg": round(events.lowest_sun_alt_deg, 2),
        "moon": {
            "illumination": round(events.moon_illumination, 3),
            "rises": [iso_utc(at) for at in events.moonrise_utc_s],
            "sets": [iso_utc(at) for at in events.moonset_utc_s],
        },
        "sun_below_deg": night.orders.sun_below_deg,
        "prepare_from": iso_utc(plan.prepare_from_s),
        "work_from": iso_utc(plan.work_from_s),
        "dusk": iso_utc(plan.dusk_s),
        "dawn": iso_utc(plan.dawn_s),
        "dark_s": plan.dark_s,
        "targets": [
            _target_content(night, plan, target, ahead, learned) for target in plan.targets
        ],
        "horizon_proposed": None if learned.proposal is None else str(learned.proposal),
        "visits": [
            {
                "target": visit.target,
                "from": iso_utc(visit.start_utc_s),
                "to": iso_utc(visit.end_utc_s),
                "frames": visit.frames,
            }
            for visit in ahead.visits
        ],
    }


def _target_content(
    night: Night, plan: NightPlan, target: TargetPlan, ahead: Forecast, learned: Learnings
) -> dict[str, Any]:
    order = target.target.order
    fitting = ahead.fitting[target.target.name]
    highest = target.highest_alt_deg
    moon = moon_over(plan, target)
    ra_deg, dec_deg = target.target.position_at(target.transit_utc_s)
    return {
        "name": target.target.name,
        "kind": target.target.kind,
        "ra_deg": round(ra_deg, 5),
        "dec_deg": round(dec_deg, 5),
        "priority": order.priority,
        "windows": [[iso_utc(w.start_utc_s), iso_utc(w.end_utc_s)] for w in target.windows],
        "transit": iso_utc(target.transit_utc_s),
        "flip_from": iso_utc(flip_from_utc_s(night, plan, target)),
        "moon": None
        if moon is None
        else {
            "nearest_deg": round(moon.nearest_deg, 1),
            "farthest_deg": round(moon.farthest_deg, 1),
            "highest_deg": round(moon.highest_deg, 1),
        },
        "highest_alt_deg": None if highest is None else round(highest, 1),
        "usable_s": round(target.usable_s),
        "wanted_s": target.wanted_s,
        "fitting_s": sum(n * f.exposure_s for n, f in zip(fitting, order.frames, strict=True)),
        "frames": [
            {
                "filter": frame.filter,
                "exposure_s": frame.exposure_s,
                "wanted": frame.count,
                "fitting": count,
                "learned": sky_content(learned.sky(target.target.name, index)),
            }
            for index, (frame, count) in enumerate(zip(order.frames, fitting, strict=True))
        ],
        "note": target.note,
    }


def flip_from_utc_s(night: Night, plan: NightPlan, target: TargetPlan) -> float | None:
    """Earliest meridian flip, if the target passes the meridian inside one of its windows."""
    after_deg = night.rig.geometry.flip_from_ha_deg
    if after_deg is None:
        return None
    motion = target.target.motion
    at = time_at_hour_angle(plan.events.observer, motion, after_deg, target.transit_utc_s)
    return at if any(window.contains(at) for window in target.windows) else None


@dataclass(frozen=True)
class MoonOver:
    """The Moon while a target is usable, degrees: its distances while it is up, its height."""

    nearest_deg: float
    farthest_deg: float
    highest_deg: float


def moon_over(plan: NightPlan, target: TargetPlan) -> MoonOver | None:
    """Return where the Moon is while a target is usable; None where it never is.

    Distances are of the time during which the Moon is up, or of all where it is not.
    """
    if not target.windows:
        return None
    spans = [np.arange(w.start_utc_s, w.end_utc_s + 1.0, _MOON_STEP_S) for w in target.windows]
    at_s = np.concatenate(spans)
    observer = plan.events.observer
    moon = moon_altaz(observer, at_s)
    apart_deg = moon_separation_deg(observer, *target.target.motion.positions_at(at_s), at_s)
    up = moon.alt_deg > 0.0
    seen = apart_deg[up] if up.any() else apart_deg
    return MoonOver(float(seen.min()), float(seen.max()), float(moon.alt_deg.max()))


# For people -----------------------------------------------------------------------------------


def _show(night: Night, plan: NightPlan, ahead: Forecast, learned: Learnings) -> None:
    zone = ZoneInfo(night.site.timezone)
    say(
        heading(f"{plan.evening:%A, %d %B %Y}: {night.site.name}, {night.rig.name}"),
        *_hours(night, plan, zone),
        "",
    )
    columns = min(_WIDEST, shutil.get_terminal_size((80, 24)).columns)
    fancy = drawable("•▒│─·━°")
    for target in plan.targets:
        say(*_target(night, plan, target, ahead, learned, zone))
        if target.windows:
            say(*altitude_chart(night, plan, target, columns, UNICODE if fancy else ASCII))
            say(hour_line(plan, zone, columns))
        say("")
    say(*_course(plan, ahead, zone))
    if learned.proposal is not None:
        say("", f"frames saw less sky than the site file says; see {learned.proposal}")


def _hours(night: Night, plan: NightPlan, zone: ZoneInfo) -> list[str]:
    events = plan.events

    def both(name: str, dusk: float | None, dawn: float | None) -> list[str]:
        def text(at: float | None) -> str:
            return "-" if at is None else local_text(at, zone)

        return [name, text(dusk), text(dawn)]

    name = datetime.fromtimestamp(plan.dusk_s, zone).tzname() or night.site.timezone
    rows = [
        [f"times in {name}", "evening", "morning"],
        both("Sun on the horizon", events.sunset_utc_s, events.sunrise_utc_s),
        both("civil twilight, -6°", events.civil_dusk_utc_s, events.civil_dawn_utc_s),
        both("nautical, -12°", events.nautical_dusk_utc_s, events.nautical_dawn_utc_s),
        both("astronomical, -18°", events.astronomical_dusk_utc_s, events.astronomical_dawn_utc_s),
        both(f"light frames, -{night.orders.sun_below_deg:g}°", plan.dusk_s, plan.dawn_s),
    ]
    moon = [f"Moon {events.moon_illumination:.0%} lit"]
    turns = [(at, "rises") for at in events.moonrise_utc_s]
    turns += [(at, "sets") for at in events.moonset_utc_s]
    moon += [f"{what} {local_text(at, zone)}" for at, what in sorted(turns)]
    return [
        *table(rows),
        "",
        f"  dark for {hours_text(plan.dark_s)}; the rig is prepared from "
        f"{local_text(plan.prepare_from_s, zone)}; {', '.join(moon)}",
    ]


def _target(
    night: Night,
    plan: NightPlan,
    target: TargetPlan,
    ahead: Forecast,
    learned: Learnings,
    zone: ZoneInfo,
) -> list[str]:
    place, order = target.target, target.target.order
    facts = [place.kind] if place.kind else []
    if place.size_arcmin:
        facts.append(f"{place.size_arcmin:.0f}'")
    facts.append(f"priority {order.priority}")
    lines = [heading(f"{place.name}  ({', '.join(facts)})")]
    if not target.windows:
        return [*lines, f"  not tonight: {target.note}"]
    windows = ", ".join(
        f"{local_text(w.start_utc_s, zone)}-{local_text(w.end_utc_s, zone)}" for w in target.windows
    )
    flip = flip_from_utc_s(night, plan, target)
    meridian = f"meridian {local_text(target.transit_utc_s, zone)}"
    if night.rig.geometry.flips_to is not None:
        meridian += f", flip from {local_text(flip, zone)}" if flip is not None else ", no flip"
    lines.append(
        f"  usable {windows} ({hours_text(target.usable_s)})  highest "
        f"{target.highest_alt_deg:.0f}°  {meridian}"
    )
    fitting = ahead.fitting[place.name]
    fitting_s = sum(n * f.exposure_s for n, f in zip(fitting, order.frames, strict=True))
    frames = ", ".join(
        f"{f.filter + ' ' if f.filter else ''}{n} of {f.count} x {f.exposure_s:g} s"
        for n, f in zip(fitting, order.frames, strict=True)
    )
    return [
        *lines,
        f"  fits   {hours_text(fitting_s)} of {hours_text(target.wanted_s)} ordered",
        f"         {frames}",
        f"  Moon   {_moon_text(moon_over(plan, target))}",
        f"  {_exposures(target, learned)}",
    ]


def _moon_text(moon: MoonOver | None) -> str:
    if moon is None or moon.highest_deg <= 0.0:
        return "below the horizon while it is usable"
    nearest, farthest = round(moon.nearest_deg), round(moon.farthest_deg)
    away = f"{nearest}" if nearest == farthest else f"{nearest} to {farthest}"
    return f"{away}° away, up to {moon.highest_deg:.0f}° high"


def _exposures(target: TargetPlan, learned: Learnings) -> str:
    """Say from which exposure on read noise hardly matters, as far as earlier nights show."""
    orders = target.target.order.frames
    if all(learned.sky(target.target.name, index) is None for index in range(len(orders))):
        return (
            "which exposures are long enough for this sky is not known yet: the first frames "
            "of these filters show it"
        )
    found = [
        sky_text(order, learned.sky(target.target.name, index))
        for index, order in enumerate(orders)
    ]
    return f"read noise hardly matters in exposures: {', '.join(dict.fromkeys(found))}"


def _course(plan: NightPlan, ahead: Forecast, zone: ZoneInfo) -> list[str]:
    """Who gets which part of the night, if nothing goes wrong."""
    if not ahead.visits:
        return ["Nothing that was ordered can be imaged in this night."]
    rows = [
        [
            f"{local_text(v.start_utc_s, zone)}-{local_text(v.end_utc_s, zone)}",
            v.target,
            f"{v.frames} frames",
        ]
        for v in ahead.visits
    ]
    flips = [f"{target} at {local_text(at, zone)}" for target, at in ahead.flips]
    open_s = sum(
        count * frame.exposure_s
        for target in plan.targets
        for count, frame in zip(
            ahead.fitting[target.target.name], target.target.order.frames, strict=True
        )
    )
    lines = [heading("If nothing goes wrong"), *table(rows)]
    if flips:
        lines.append(f"  meridian flip: {', '.join(flips)}")
    return [
        *lines,
        f"  shutter open for {hours_text(open_s)}, {open_s / plan.dark_s:.0%} of the dark hours",
    ]
