"""midwatch polar: measure the polar axis, and guide the person who turns its knobs."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from midwatch.alignment import Alignment, AlignmentField, AlignOptions
from midwatch.clock import ScaledClock, WallClock
from midwatch.durable import write_whole
from midwatch.errors import InputError
from midwatch.exit_codes import BROKEN_PROMISE, DONE, INTERRUPTED
from midwatch.instants import all_in_zone
from midwatch.interface.console import heading, inform, local_text, say, say_json, table
from midwatch.orders.reading import Night
from midwatch.planning import plan_night
from midwatch.runtime.files import (
    Running,
    announced,
    broker_of,
    evening_of,
    load_orders,
    run_faults,
    using_rig,
)
from midwatch.runtime.polar import (
    AtTheKnobs,
    Rehearsal,
    fields_for,
    rehearse_alignment,
    run_alignment,
)
from midwatch.runtime.real import RunOptions
from midwatch.runtime.service import ending_on_signal
from midwatch.runtime.simulation import simulated_rig
from midwatch.sky import Observer, evening_at
from midwatch.sky.polar import AxisError, allowable_error_arcmin, knob_turns

FILE_NAME = "polar.json"
_CAUTIONS = (
    "The mount moves by itself: keep hands, hair and cables clear, and a way to cut its power at",
    "hand. See that nothing is in the way of telescope and counterweight. Never look at or",
    "point near the Sun. Loosen one knob at a time, and hold the mount.",
)
# What is asked of field rotation: a star in the corner stays within a pixel during the longest
# exposure of the orders. Common practice, no source.
_TRAIL_PX = 1.0
_SUREST_ARCMIN = 0.1


def execute(args: argparse.Namespace) -> int:
    """Say what will be done, do it, and leave the result in the data folder."""
    if args.start is None and args.speed != 1.0:
        raise InputError("--speed needs --start, the instant at which scaled time begins")
    night = load_orders(args.orders)
    options = _options(args)
    if args.rehearse:
        found = _rehearsed(night, options, args)
    else:
        clock = ScaledClock(args.start, args.speed) if args.start is not None else None
        now_s = (clock or WallClock()).unix_s()
        inform(*announcement(night, options, fields_for(night, options, now_s)))
        if not _agreed(args):
            return INTERRUPTED
        found = asyncio.run(_for_real(night, options, args, clock))
    args.out.mkdir(parents=True, exist_ok=True)
    path: Path = args.out / FILE_NAME
    write_whole(path, json.dumps(found.content(), indent=1) + "\n", durable=not args.rehearse)
    if args.json:
        say_json(found.content())
    else:
        say(*verdict(found), "", *table([["for programs", str(path)]]))
    return _code(found)


def _code(found: Alignment) -> int:
    """Return the exit code: what was left out or broken weighs most, then why it stopped."""
    if not found.promises_kept:
        return BROKEN_PROMISE
    if found.stopped is None:
        return DONE
    if found.stopped.by_hand:
        return INTERRUPTED
    failure = found.found.failure
    return BROKEN_PROMISE if failure is None else failure.exit_code


def _options(args: argparse.Namespace) -> AlignOptions:
    return AlignOptions(
        method=args.method,
        tolerance_arcmin=args.tolerance_arcmin,
        exposure_s=args.exposure_s,
        each=args.frames,
        drift_min=args.minutes,
        guide=not args.measure_only,
        confirm=args.confirm,
        focus=not args.keep_focus,
    )


def _rehearsed(night: Night, options: AlignOptions, args: argparse.Namespace) -> Alignment:
    evening = evening_of(night, args.evening)
    simulated = replace(night, rig=simulated_rig(night.rig, args.sky))
    rehearsal = Rehearsal(
        seed=night.orders.seed if args.seed is None else args.seed,
        evening=evening,
        sky_mode=args.sky,
        data_folder=args.out,
        faults=run_faults(simulated, evening, args),
    )
    fields = fields_for(night, options, plan_night(night, evening).dusk_s)
    inform(*announcement(night, options, fields))
    return rehearse_alignment(night, options, rehearsal, AtTheKnobs(inform))


def announcement(
    night: Night, options: AlignOptions, fields: tuple[AlignmentField, ...]
) -> list[str]:
    """Say what the mount will do, and what to look out for, before it moves."""
    stay = (
        f"{options.each} frames" if options.method == "frames" else f"{options.drift_min:g} minutes"
    )
    rows = [
        [
            f"field {number}",
            f"hour angle {field.ha_deg:+.0f} deg",
            f"declination {field.dec_deg:+.0f} deg",
            f"altitude {field.alt_deg:.0f} deg",
            f"azimuth {field.az_deg:.0f} deg",
            *_side_cell(night, field),
            stay,
        ]
        for number, field in enumerate(fields, 1)
    ]
    after = "then the knobs are turned at the last field, and" if options.guide else "then"
    roof = "the roof opens, " if night.rig.devices.roof is not None else ""
    return [
        heading(f"{night.site.name}, {night.rig.name}: polar alignment"),
        f"  {roof}the mount slews to",
        *table(rows, indent="    "),
        f"  {after} the mount parks",
        "",
        *(f"  {line}" for line in _CAUTIONS),
        "",
    ]


def _agreed(args: argparse.Namespace) -> bool:
    """Ask the person at the terminal whether the mount may move."""
    if args.yes:
        return True
    if not sys.stdin.isatty():
        raise InputError("no terminal to ask whether the mount may move: give --yes if it may")
    sys.stderr.write("  Enter begins, anything else ends: ")
    sys.stderr.flush()
    return sys.stdin.readline() == "\n"


async def _for_real(
    night: Night, options: AlignOptions, args: argparse.Namespace, clock: ScaledClock | None
) -> Alignment:
    stack = AsyncExitStack()
    broker = broker_of(night.rig.bus, night.paths["rig"])
    if broker.embedded:
        # Not needed for a broker elsewhere, and it brings a compiled one along.
        from midwatch.bus.mqtt import EmbeddedBroker

        broker = (await stack.enter_async_context(EmbeddedBroker())).settings
    running = Running.of(night, broker, clock)
    began_s, zone = (clock or WallClock()).unix_s(), night.site.timezone
    run = RunOptions(
        data_folder=args.out,
        evening=None,
        seed=args.seed,
        speed=args.speed,
        start=args.start,
        bus=broker,
        spawn_devices=not args.no_devices,
        sky_mode=args.sky,
        anchor_unix_s=running.anchor_unix_s,
        faults=run_faults(night, evening_at(Observer(night.place), began_s, zone), args),
    )
    task, person = asyncio.current_task(), AtTheKnobs(inform)
    assert task is not None

    def interrupt() -> None:
        if not person.interrupt():
            task.cancel("interrupted before anything moved")

    try:
        async with stack:
            used = using_rig(night.paths["rig"], args.out)
            with announced(args.out, running), used, ending_on_signal(interrupt):
                return await run_alignment(night, options, run, person)
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None


def verdict(alignment: Alignment) -> list[str]:
    """Say what the axis was found to be, and what to do next."""
    night, found = alignment.night, alignment.found
    what = "rehearsed " if alignment.rehearsal else ""
    lines = [heading(f"{night.site.name}, {night.rig.name}: {what}polar alignment")]
    if found.measured is not None:
        lines += _axis_lines("measured", night, found.measured)
    if found.guided is not None and found.guided.error is not None:
        ways = {
            "reached": "within tolerance",
            "stopped": "ended by hand",
            "limit": "ended at a limit of the mount",
            "lost": "ended: no frame was solved any more",
        }
        lines += _axis_lines(ways[found.guided.ended], night, found.guided.error)
    if found.confirmed is not None:
        lines += _axis_lines("confirmed", night, found.confirmed)
    lines += ["", *(f"  {text}" for text in _advice(alignment))]
    lines += [f"  NOT PUT AWAY: {failure}" for failure in alignment.not_put_away]
    lines += [
        f"  promise {promise.number} BROKEN: {promise.text}: {promise.detail}"
        for promise in alignment.promises
        if promise.ok is False
    ]
    return all_in_zone(lines, ZoneInfo(night.site.timezone))


def _axis_lines(name: str, night: Night, error: AxisError) -> list[str]:
    altitude, azimuth = _sure(error.sigma_altitude_arcmin), _sure(error.sigma_azimuth_arcmin)
    sure = f"  (+- {altitude} and {azimuth} arcmin)"
    # What was found, and what there is to do about it, in words that cannot be mixed up.
    turns = knob_turns(night.place, error)
    off = ", ".join(turn.found() for turn in turns)
    line = f"{error.total_arcmin:.1f} arcmin from the pole: axis {off}{sure}"
    todo = f"    to do: {', '.join(turn.words() for turn in turns)}"
    return [f"  {name}: {line}", todo, *(f"    note: {warning}" for warning in error.warnings)]


def _sure(sigma_arcmin: float) -> str:
    # Flexure and refraction keep everything from being surer than this, whatever the noise.
    return f"{max(sigma_arcmin, _SUREST_ARCMIN):.1f}"


def _advice(alignment: Alignment) -> list[str]:
    """Say what to do next."""
    found, options, stopped = alignment.found, alignment.options, alignment.stopped
    if stopped is not None:
        at = local_text(stopped.at_s, ZoneInfo(alignment.night.site.timezone))
        rest = "the rig is NOT at rest" if alignment.not_put_away else "the rig is at rest"
        when = "whenever you like" if stopped.by_hand else "when that is over"
        again = f"start again {when}: midwatch polar"
        return [f"stopped at {at}: {stopped.why}; {rest}", again]
    last = found.confirmed or (found.guided and found.guided.error) or found.measured
    assert last is not None
    allowed = _allowed_arcmin(alignment.night, alignment.began_s)
    enough = (
        f"field rotation allows {allowed:.1f} arcmin for the longest exposure of these orders"
        if allowed is not None
        else "the orders take no frames"
    )
    if found.confirmed is None and found.guided is not None:
        return [enough, "tighten the knobs, then measure again to confirm: midwatch polar"]
    if last.total_arcmin > options.tolerance_arcmin:
        within = f"{options.tolerance_arcmin:g} arcmin"
        return [enough, f"not yet within {within}: turn the knobs as said above"]
    return [enough, f"within {options.tolerance_arcmin:g} arcmin"]


def _side_cell(night: Night, field: AlignmentField) -> list[str]:
    geometry = night.rig.geometry
    words = geometry.side_words(geometry.natural_side(field.ha_deg))
    return [f"telescope {words}"] if words else []


def _allowed_arcmin(night: Night, began_s: float) -> float | None:
    """The axis error at which a corner star trails by a pixel in the longest ordered exposure."""
    exposures = [
        (frame.exposure_s, target.position_at(began_s)[1])
        for target in night.targets
        for frame in target.order.frames
    ]
    if not exposures:
        return None
    camera, focal_mm = night.rig.camera, night.rig.optics.focal_length_mm
    # Half the diagonal of a usual sensor if only its driver knows the size.
    corner_deg = 57.3 * 11.0 / focal_mm
    return min(
        allowable_error_arcmin(_TRAIL_PX * camera.pixel_um, dec, exposure_s, focal_mm, corner_deg)
        for exposure_s, dec in exposures
    )
