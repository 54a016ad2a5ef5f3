"""Puts a polar alignment together: devices, eyes and guidance, rehearsed or for real."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from itertools import count
from pathlib import Path
from typing import Any, Literal

from midwatch.alignment import (
    Aligner,
    AlignmentTools,
    Guided,
    Pointing,
    make_ready,
    plan_drift,
    plan_frames,
    put_away,
)
from midwatch.bus import Bus, Caller, EventEnvelope, MemoryBroker, MemoryBus, Topics, encode
from midwatch.clock import Clock, ScaledClock, VirtualClock, WallClock, iso_utc
from midwatch.devices.client import LeaseHolder, MemorySpool, RigClient
from midwatch.devices.host import RigSetting, device_host, mount_limits
from midwatch.errors import InputError
from midwatch.imaging import InlineMeasurer, Measurer, ProcessMeasurer
from midwatch.orders.models import DeviceEntry, Rig
from midwatch.orders.reading import Night
from midwatch.planning import plan_night
from midwatch.runtime.real import DeviceProcesses, RunOptions
from midwatch.runtime.rehearsal import simulated_rig
from midwatch.seeding import device_rng
from midwatch.sequencer.camera import CameraSetting, Darkroom, Eyes
from midwatch.sequencer.duties import DutyFailedError
from midwatch.sky import LimitCheck, Observer, pixel_scale_arcsec, sun_altaz
from midwatch.sky.polar import AxisError, WeakGeometryError
from midwatch.virtual_time import run_virtual

Method = Literal["frames", "drift"]
Tell = Callable[[str], None]

# Higher, the sky is too bright for the stars that solving needs. Common practice, no source.
_SUN_BELOW_DEG = -8.0
_BROKER_S = 30.0
_ARRIVAL_S = 30.0
# How far off a rehearsed set-up is if the rig file does not say, each way.
_ROUGH_ARCMIN = 90.0


@dataclass(frozen=True)
class AlignOptions:
    """What to do.

    Attributes:
        method: solved frames at three hour angles, or drift at two.
        tolerance_arcmin: guidance ends below this.
        exposure_s: of a frame to solve; None takes that of the rig file.
        each: frames at each of three fields.
        drift_min: minutes at each of two fields.
        guide: follow the knobs after measuring.
        confirm: measure again at the end.
        focus: send the focuser to where the rig file has it begin.
    """

    method: Method
    tolerance_arcmin: float
    exposure_s: float | None
    each: int
    drift_min: float
    guide: bool
    confirm: bool
    focus: bool


@dataclass(frozen=True)
class Alignment:
    """What came of it; guidance and confirmation are None where there were none."""

    night: Night
    method: Method
    began_s: float
    ended_s: float
    rehearsal: bool
    measured: AxisError
    guided: Guided | None
    confirmed: AxisError | None
    not_put_away: tuple[str, ...]

    def content(self) -> dict[str, Any]:
        """The result for programs."""
        return {
            "schema": "midwatch/polar/1",
            "site": self.night.site.name,
            "rig": self.night.rig.name,
            "rehearsal": self.rehearsal,
            "method": self.method,
            "began": iso_utc(self.began_s),
            "ended": iso_utc(self.ended_s),
            "measured": asdict(self.measured),
            "guided": None if self.guided is None else asdict(self.guided),
            "confirmed": None if self.confirmed is None else asdict(self.confirmed),
            "not_put_away": list(self.not_put_away),
        }


@dataclass(frozen=True)
class _Stage:
    """Everything that differs between a rehearsal and the real thing."""

    clock: Clock
    bus: Bus
    topics: Topics
    measurer: Measurer
    folder: Path
    seed: int
    arrival_s: float
    rehearsal: bool


def rehearse_alignment(
    night: Night, options: AlignOptions, seed: int, evening: date, sky_mode: str, tell: Tell
) -> Alignment:
    """Align the simulated rig in virtual time from dusk on; a simulated person turns its knobs."""
    night = replace(night, rig=_with_knobs(simulated_rig(night.rig, sky_mode), seed))
    start = datetime.fromtimestamp(plan_night(night, evening).dusk_s, UTC)
    clock = VirtualClock(start)

    async def main() -> Alignment:
        broker = MemoryBroker()
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        async with AsyncExitStack() as stack:
            for role in night.rig.devices.present():
                spool = MemorySpool(role)
                stack.callback(spool.close)
                bus = MemoryBus(broker, role)
                host = device_host(role, setting, bus=bus, clock=clock, seed=seed, spool=spool)
                await stack.enter_async_context(host)
            stage = _Stage(
                clock=clock,
                bus=MemoryBus(broker, "midwatch"),
                topics=setting.topics,
                measurer=InlineMeasurer(),
                folder=Path(),
                seed=seed,
                arrival_s=0.0,
                rehearsal=True,
            )
            return await _align(stack, night, options, stage, tell, asyncio.Event())

    return run_virtual(main)


async def run_alignment(
    night: Night, options: AlignOptions, run: RunOptions, tell: Tell, stop: asyncio.Event
) -> Alignment:
    """Align over MQTT, with a process for each device; `stop` ends guidance in good order.

    Raises:
        UnreachableError: the broker cannot be reached.
    """
    clock: Clock = WallClock()
    if run.start is not None:
        clock = ScaledClock(run.start, run.speed, run.anchor_unix_s)
    seed = night.orders.seed if run.seed is None else run.seed
    async with AsyncExitStack() as stack:
        if run.spawn_devices:
            await stack.enter_async_context(DeviceProcesses(night, run.bus, clock, seed, run))
        from midwatch.bus.mqtt import MqttBus

        measurer = ProcessMeasurer()
        stack.push_async_callback(measurer.close)
        stage = _Stage(
            clock=clock,
            bus=MqttBus(run.bus, "midwatch-daemon", clock, seed=seed),
            topics=Topics(night.site.name, night.rig.name),
            measurer=measurer,
            folder=run.data_folder,
            seed=int(clock.unix_s() * 1000),
            arrival_s=_ARRIVAL_S * run.speed if run.spawn_devices else 0.0,
            rehearsal=False,
        )
        return await _align(stack, night, options, stage, tell, stop)


def fields_for(night: Night, options: AlignOptions, utc_s: float) -> tuple[Pointing, ...]:
    """Return where the telescope would go at a time.

    Raises:
        InputError: it is too bright, or the limits leave no fields.
    """
    observer = Observer(night.place)
    sun_alt_deg = float(sun_altaz(observer, utc_s).alt_deg)
    if sun_alt_deg > _SUN_BELOW_DEG:
        raise InputError(
            f"the Sun is at altitude {sun_alt_deg:.1f} deg: wait until it is below "
            f"{_SUN_BELOW_DEG:g} deg, or rehearse with --rehearse"
        )
    limits = night_limits(night)
    if options.method == "drift":
        return plan_drift(limits, utc_s, options.drift_min * 60.0)
    return plan_frames(limits, utc_s)


def night_limits(night: Night) -> LimitCheck:
    """Return what the mount must keep to under a night's sky."""
    rig = night.rig
    limits = mount_limits(rig.limits, rig.geometry, night.horizon)
    return LimitCheck(Observer(night.place), limits)


async def _align(
    stack: AsyncExitStack,
    night: Night,
    options: AlignOptions,
    stage: _Stage,
    tell: Tell,
    stop: asyncio.Event,
) -> Alignment:
    clock = stage.clock
    began_s = clock.unix_s()
    await stack.enter_async_context(stage.bus)
    await stage.bus.wait_connected(_BROKER_S)
    rig = await _reach_rig(stack, night, stage)
    aligner = Aligner(_tools(night, options, stage, rig, tell))
    guided: Guided | None = None
    confirmed: AxisError | None = None
    try:
        await make_ready(rig, night, clock, focus=options.focus)
        measured = await _measure(aligner, night, options, clock)
        if options.guide:
            tell("turn the knobs as told; Ctrl-C ends it")
            guided = await aligner.guide(measured, options.tolerance_arcmin, stop)
        if options.confirm:
            tell("measuring again")
            confirmed = await _measure(aligner, night, options, clock)
    except WeakGeometryError as error:
        raise DutyFailedError("sky", "weak_geometry", str(error)) from error
    finally:
        failures = await put_away(rig)
        for failure in failures:
            tell(f"NOT PUT AWAY: {failure}")
    return Alignment(
        night=night,
        method=options.method,
        began_s=began_s,
        ended_s=clock.unix_s(),
        rehearsal=stage.rehearsal,
        measured=measured,
        guided=guided,
        confirmed=confirmed,
        not_put_away=tuple(failures),
    )


async def _measure(
    aligner: Aligner, night: Night, options: AlignOptions, clock: Clock
) -> AxisError:
    fields = fields_for(night, options, clock.unix_s())
    if options.method == "drift":
        return await aligner.measure_by_drift(fields, options.drift_min * 60.0)
    return await aligner.measure_by_frames(fields, options.each)


async def _reach_rig(stack: AsyncExitStack, night: Night, stage: _Stage) -> RigClient:
    clock, bus, topics = stage.clock, stage.bus, stage.topics
    section = night.rig.bus
    caller = await stack.enter_async_context(Caller(bus, topics, clock, stage.seed))
    lease = await stack.enter_async_context(
        LeaseHolder(bus, topics, clock, f"polar-{stage.seed}", section.lease_s)
    )
    roles = night.rig.devices.present()
    rig = RigClient(bus, topics, caller, clock, roles, section.heartbeat_s, lease)
    await stack.enter_async_context(rig)
    if stage.arrival_s:
        await rig.wait_online(stage.arrival_s)
    return rig


def _tools(
    night: Night, options: AlignOptions, stage: _Stage, rig: RigClient, tell: Tell
) -> AlignmentTools:
    settings = night.rig
    eyes = Eyes(
        stage.measurer,
        pixel_scale_arcsec(settings.camera.pixel_um, settings.optics.focal_length_mm),
    )
    numbers = count(1)
    events = count(1)
    topic = stage.topics.event("polar", "guidance")

    async def publish(facts: dict[str, Any]) -> None:
        envelope = EventEnvelope(seq=next(events), at=stage.clock.now(), facts=facts)
        await stage.bus.publish(topic, encode(envelope))

    return AlignmentTools(
        clock=stage.clock,
        rig=rig,
        darkroom=Darkroom(
            rig.camera,
            stage.clock,
            eyes,
            stage.measurer,
            stage.folder,
            durable=False,
            identify=lambda: f"polar-{stage.seed}-{next(numbers):05d}",
        ),
        eyes=eyes,
        limits=night_limits(night),
        setting=CameraSetting(
            settings.camera.gain, settings.camera.offset, settings.camera.binning
        ),
        exposure_s=options.exposure_s or settings.centring.exposure_s,
        tell=tell,
        publish=publish,
    )


def _with_knobs(rig: Rig, seed: int) -> Rig:
    """Return a simulated rig that somebody has set up roughly, and stands beside."""
    mount = rig.devices.mount
    rng = device_rng(seed, "set-up")
    high, east = (round(float(value), 1) for value in rng.uniform(-_ROUGH_ARCMIN, _ROUGH_ARCMIN, 2))
    rough = {"polar_high_arcmin": high, "polar_east_arcmin": east}
    options = {**rough, **mount.options, "person_at_knobs": True}
    entry = DeviceEntry(driver=mount.driver, options=options)
    devices = rig.devices.model_copy(update={"mount": entry})
    return rig.model_copy(update={"devices": devices})
