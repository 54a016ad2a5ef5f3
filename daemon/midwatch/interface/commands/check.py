"""midwatch check: is everything fit for the night?"""

from __future__ import annotations

import argparse
import asyncio
import math
from collections.abc import Iterator, Sized
from dataclasses import dataclass, replace
from typing import Any, Literal
from zoneinfo import ZoneInfo

from midwatch.errors import MidwatchError
from midwatch.exit_codes import DONE, UNREACHABLE, WRONG_INPUT
from midwatch.interface.console import (
    drawable,
    heading,
    hours_text,
    inform,
    local_text,
    say,
    say_json,
    table,
)
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan, plan_night
from midwatch.runtime.files import evening_of, load_orders, require_plugins, rig_in_use
from midwatch.runtime.real import (
    clock_findings,
    declared_findings,
    disk_findings,
    drivers_made,
)

Level = Literal["ok", "note", "wrong", "unreachable"]
_CODES: dict[Level, int] = {
    "ok": DONE,
    "note": DONE,
    "wrong": WRONG_INPUT,
    "unreachable": UNREACHABLE,
}
_MARKS: dict[Level, str] = {"ok": "✓", "note": "·", "wrong": "✗", "unreachable": "✗"}
_PLAIN_MARKS: dict[Level, str] = {"ok": "ok", "note": "--", "wrong": "NO", "unreachable": "NO"}


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at."""

    level: Level
    subject: str
    text: str


def execute(args: argparse.Namespace) -> int:
    """Look at everything; what is wrong with the files themselves is raised before."""
    night = load_orders(args.orders)
    evening = evening_of(night, args.evening)
    plan = plan_night(night, evening)
    zone = ZoneInfo(night.site.timezone)
    findings = [
        *_declared(night),
        *_plugins(night),
        *(() if (busy := _in_use(night)) else _made(night)),
        *_sky(night, plan),
        *(Finding(level, "clock", text) for level, text in clock_findings(plan, zone)),
        *(Finding(level, "disk", text) for level, text in disk_findings(night, args.out)),
    ]
    if busy is not None:
        findings.append(busy if args.rig else replace(busy, level="note"))
    elif args.rig:
        findings += asyncio.run(_rig(night, cooler=not args.quick))
    if args.json:
        say_json(_content(night, plan, findings))
    else:
        say(*_lines(night, plan, findings))
    return max(_CODES[finding.level] for finding in findings)


# Width from which the built-in star list solves 99.5 percent of all fields (bench_solving).
_SOLVED_DEG = 2.0
# With a shorter focal length the smallest sensors of the trade, 12 mm wide, see that much.
_SHORT_MM = 345.0

# Looking --------------------------------------------------------------------------------------


def _declared(night: Night) -> Iterator[Finding]:
    place = night.place
    yield Finding(
        "ok",
        "site",
        f"{night.site.name}: {_angle(place.latitude_deg, 'N', 'S')}, "
        f"{_angle(place.longitude_deg, 'E', 'W')}, {place.elevation_m:.0f} m, "
        f"{night.site.timezone}",
    )
    altitudes = [altitude for _, altitude in night.horizon.points]
    shape = f"flat at {altitudes[0]:g}°"
    if len(altitudes) > 1:
        shape = f"{len(altitudes)} points from {min(altitudes):g}° to {max(altitudes):g}°"
    yield Finding(
        "ok",
        "horizon",
        f"{shape}, kept clear of by {night.rig.limits.horizon_margin_deg:g}°",
    )
    optics = night.rig.optics
    yield Finding(
        "ok",
        "rig",
        f"{night.rig.name}: {optics.focal_length_mm:g} mm f/"
        f"{optics.focal_length_mm / optics.aperture_mm:.1f}, "
        f"{206.265 * night.rig.camera.pixel_um / optics.focal_length_mm:.2f} arcsec a pixel",
    )
    yield from _solvable(night)
    if night.rig.geometry.field_turns:
        yield Finding(
            "note",
            "mount",
            f"the field turns while an {night.rig.geometry.words} tracks, and nothing turns the "
            "camera back: stars at the edge trail in long exposures",
        )
    devices = night.rig.devices
    if night.orders.calibration.darks and devices.roof is None and devices.flat_panel is None:
        yield Finding(
            "note",
            "darks",
            "no roof and no flat panel covers this telescope: if its camera has no shutter, darks "
            "are taken only while no light falls in; put the cap on after the last light",
        )
    if night.rig.devices.weather is None:
        yield Finding("note", "weather", "no sensor: nothing closes the rig when it rains")


def _solvable(night: Night) -> Iterator[Finding]:
    """Say where the built-in star list is too thin for the rig's field."""
    if night.rig.centring.index_folder is not None:
        return
    focal_mm, pixel_um = night.rig.optics.focal_length_mm, night.rig.camera.pixel_um
    wide_enough_mm = 2.0 * focal_mm * math.tan(math.radians(_SOLVED_DEG / 2.0))
    width_px = night.rig.devices.camera.options.get("width_px")
    if isinstance(width_px, int):
        if width_px * pixel_um / 1000.0 >= wide_enough_mm:
            return
        field_deg = math.degrees(2.0 * math.atan(width_px * pixel_um / 2000.0 / focal_mm))
        seen = f"the field is {field_deg:.1f}° wide"
    elif focal_mm < _SHORT_MM:
        return
    else:
        seen = f"a sensor narrower than {wide_enough_mm:.0f} mm sees less than {_SOLVED_DEG:g}°"
    yield Finding(
        "note",
        "solving",
        f"{seen}: with the built-in star list, fields from {_SOLVED_DEG:g}° are solved nearly "
        "always, of 1.5° 24 in 25, of 1.3° 9 in 10, of 1° 3 in 5; for the rest install star index "
        "files and name their folder in centring.index_folder",
    )


def _plugins(night: Night) -> Iterator[Finding]:
    from midwatch.devices.contract import driver_factory
    from midwatch.sequencer.duties import PluginError, load_registry

    loaded = []
    for role, entry in night.rig.devices.present().items():
        try:
            driver_factory(entry.driver)
        except MidwatchError as error:
            yield Finding("wrong", f"driver of {role}", str(error))
        else:
            loaded.append(role)
    yield Finding("ok", "drivers", f"loaded for {', '.join(loaded) or 'nothing'}")
    try:
        registry = load_registry()
        require_plugins(night)
    except PluginError as error:
        yield from (Finding("wrong", "plugins", problem) for problem in error.problems)
        return
    except MidwatchError as error:
        yield Finding("wrong", "plugins", str(error))
        return
    kinds: dict[str, Sized] = {
        "duties": registry.duties,
        "lookouts": registry.lookouts,
        "graders": registry.graders,
        "notifiers": registry.notifiers,
    }
    counts = ", ".join(f"{len(found)} {kind}" for kind, found in kinds.items())
    yield Finding("ok", "plugins", counts)


def _sky(night: Night, plan: NightPlan) -> Iterator[Finding]:
    zone = ZoneInfo(night.site.timezone)
    yield Finding(
        "ok",
        "darkness",
        f"{local_text(plan.dusk_s, zone)} to {local_text(plan.dawn_s, zone)} "
        f"({hours_text(plan.dark_s)} with the Sun {night.orders.sun_below_deg:g}° down)",
    )
    any_tonight = any(target.windows for target in plan.targets)
    for target in plan.targets:
        yield _target(night, target, any_tonight=any_tonight)


def _target(night: Night, target: TargetPlan, *, any_tonight: bool) -> Finding:
    name = target.target.name
    if not target.windows:
        # What never rises, whatever the date, is a mistake in the orders; so is a night for
        # which nothing at all remains. Anything else may be meant for another date.
        wrong = not any_tonight or not _ever_rises(night, target)
        return Finding("wrong" if wrong else "note", name, target.note or "not tonight")
    usable, wanted = hours_text(target.usable_s), hours_text(target.wanted_s)
    level: Level = "ok" if target.usable_s >= target.wanted_s else "note"
    return Finding(
        level,
        name,
        f"usable for {usable}, {wanted} ordered, highest {target.highest_alt_deg:.0f}°",
    )


def _ever_rises(night: Night, target: TargetPlan) -> bool:
    order = target.target.order
    lowest = max(night.rig.limits.min_altitude_deg, order.min_altitude_deg or 0.0)
    _, dec_deg = target.target.position_at(target.transit_utc_s)
    return 90.0 - abs(night.place.latitude_deg - dec_deg) >= lowest


def _made(night: Night) -> Iterator[Finding]:
    """Make the drivers with their options, and hold rig and orders against what they say."""
    made = asyncio.run(drivers_made(night))
    for subject, (level, text) in declared_findings(night, made):
        yield Finding(level, subject, text)


def _in_use(night: Night) -> Finding | None:
    """Say which night is running on these very devices; None where none is."""
    used = rig_in_use(night.paths["rig"])
    if used is None:
        return None
    return Finding(
        "unreachable",
        "devices",
        f"process {used.pid} runs a night with them (midwatch status --out {used.data_folder}); "
        "they were not touched: close that night first, or check again when it is over",
    )


async def _rig(night: Night, *, cooler: bool) -> list[Finding]:
    from midwatch.runtime.real import rig_fitness

    found = []
    if cooler and night.rig.camera.cool_to_c is not None:
        inform(
            f"cooling the camera to {night.rig.camera.cool_to_c:g} degC to see what it holds, and "
            "warming it up again: half an hour or so; --quick leaves that out"
        )
    for device in await rig_fitness(night, cooler=cooler):
        level: Level = "note" if device.notable else "ok"
        if device.trouble is not None:
            level = "wrong" if device.misdeclared else "unreachable"
        text = f"{device.driver}: {device.trouble or device.remark}"
        found.append(Finding(level, device.role, text))
    return found


# Showing --------------------------------------------------------------------------------------


def _content(night: Night, plan: NightPlan, findings: list[Finding]) -> dict[str, Any]:
    return {
        "orders": str(night.paths["orders"]),
        "site": night.site.name,
        "rig": night.rig.name,
        "evening": plan.evening.isoformat(),
        "fit": all(_CODES[finding.level] == DONE for finding in findings),
        "findings": [vars(finding) for finding in findings],
    }


def _lines(night: Night, plan: NightPlan, findings: list[Finding]) -> list[str]:
    marks = _MARKS if drawable("✓✗·°") else _PLAIN_MARKS
    rows = [[marks[f.level], f.subject, f.text] for f in findings]
    bad = [f for f in findings if _CODES[f.level] != DONE]
    verdict = "fit for the night" if not bad else f"not fit: {', '.join(f.subject for f in bad)}"
    title = f"{night.paths['orders']}, evening of {plan.evening}"
    return [heading(title), *table(rows, indent=""), "", verdict]


def _angle(degrees: float, positive: str, negative: str) -> str:
    return f"{abs(degrees):.3f}° {positive if degrees >= 0 else negative}"
