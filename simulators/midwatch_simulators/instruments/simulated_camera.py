"""Simulated cooled camera behind a simulated telescope."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import JsonValue

from midwatch.devices.contract import Command, DeviceAbout, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import (
    Acknowledge,
    CameraState,
    Cool,
    Expose,
    FrameFacts,
    FrameRef,
    ListWaiting,
    Waiting,
    Warm,
)
from midwatch_simulators.base import Handler, SimulatedDevice, awake, generator, read_options
from midwatch_simulators.faults import SpoiltFrames
from midwatch_simulators.instruments.cooler import Cooler, CoolerBody
from midwatch_simulators.sky import Beam, CameraOptions, Sensor, SkyView, facts_of, render

_TINY_SHAPE = (36, 48)  # of the image that replaces a frame in fast mode
# Share of its depth that a weak cooler reaches, its fan being stuck, say: a summer night is then
# too warm for it.
_WEAK = 0.3


class SimulatedCamera(SimulatedDevice):
    """A camera that sees the catalogue sky at the true pointing of the simulated mount.

    Without its driver the cooler goes on; an exposure under way is lost, for the camera has no
    memory of its own. Frames that were read out are in the host's spool.

    Faults: ``camera-unplugged``, ``exposure-never-ends`` (no answer until it is stopped, or the
    link is closed; taking its power cures it), ``frame-truncated``, ``frame-corrupt`` and
    ``frame-wrong-size`` (see `SpoiltFrames`), ``shutter-stuck`` (no light), ``cooler-fails`` and
    ``cooler-weak`` (full power and little or no cold: the electronics know nothing of it).
    """

    kind = Kind.CAMERA
    shows: ClassVar[tuple[str, ...]] = (
        "camera-unplugged", "exposure-never-ends", "frame-truncated", "frame-corrupt",
        "frame-wrong-size", "shutter-stuck", "cooler-fails", "cooler-weak",
    )  # fmt: skip
    settings: ClassVar[type[CameraOptions]] = CameraOptions
    fed = True
    linkless = (Acknowledge, ListWaiting)  # the spool is on this side of the cable

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(self.settings, context)
        super().__init__(context)
        self._sensors = {1: Sensor(self._options, self.seed)}
        self._beam = self.beam(self._options)
        self._cooler = Cooler(
            self.seed,
            self.clock.unix_s(),
            lambda utc_s: self._beam.air.air_c(utc_s),
            self._options.cooling_c,
            self._cooler_strength,
            self._options.self_heating_c,
        )
        self._spoilt = SpoiltFrames(context.spool, self.troubles)
        self._freed = asyncio.Event()
        self._phase: Literal["idle", "exposing", "reading"] = "idle"
        self._exposure_id: str | None = None
        self._since: datetime | None = None

    def beam(self, options: CameraOptions) -> Beam:
        """Return the light before the camera: that of the main telescope."""
        del options
        return Beam(self.context)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {
            Expose: self._expose,
            Acknowledge: self._acknowledge,
            ListWaiting: self._list_waiting,
            Cool: self._cool,
            Warm: self._warm,
        }

    def limits(self) -> dict[str, Any]:
        """Return the geometry and the limits."""
        options = self._options
        limits: dict[str, Any] = {
            "width_px": options.width_px,
            "height_px": options.height_px,
            "pixel_um": options.pixel_um,
            "bayer": options.bayer,
            "cooling_c": options.cooling_c,
            "max_gain": options.max_gain,
            "max_offset": options.max_offset,
        }
        if options.sky_mode == "fast":
            limits["frame_height_px"], limits["frame_width_px"] = _TINY_SHAPE
        return limits

    def about(self) -> DeviceAbout:
        """Say what the device can do."""
        about = super().about()
        if not self._options.shutter:
            return about
        able = tuple(sorted((*about.capabilities, "shutter")))
        return about.model_copy(update={"capabilities": able})

    def state(self) -> CameraState:
        """Return the whole state."""
        now = self.clock.unix_s()
        sensor_c = self._cooler.reading_c(now) if self.connected else None
        return CameraState(
            connected=self.connected,
            at_rest=self._phase == "idle" and not self._cooler.on,
            fault=self.fault,
            phase=self._phase,
            exposure_id=self._exposure_id,
            exposing_since=self._since,
            cooler_on=self._cooler.on,
            sensor_c=sensor_c,
            setpoint_c=self._cooler.setpoint_c,
            cooler_percent=round(100.0 * self._cooler.power, 1),
            waiting=tuple(ref.sha256 for ref in self._spoilt.waiting()),
        )

    async def come_to_rest(self) -> None:
        """Begin to warm up slowly; the frame under way has been given up before."""
        self._cooler.warm(self.clock.unix_s(), self._options.warm_rate_c_per_min)
        self.context.changed()
        self._keep_body()

    def body(self) -> dict[str, JsonValue]:
        """Return what the cooler does, and what the spool holds other than as reported."""
        cooler = self._cooler.save(self.clock.unix_s())
        return {"cooler": cooler.model_dump(), "spoilt": self._spoilt.save()}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the cooler at work."""
        self._cooler.load(CoolerBody.model_validate(body.get("cooler")))
        self._spoilt.load(body.get("spoilt"))

    def on_connect(self) -> None:
        """Give up what hung before."""
        self._freed.set()

    def power_cut(self) -> None:
        """Forget everything: the cooler is off, and what hung is free."""
        self._cooler.cut(self.clock.unix_s())
        self.troubles.cure("exposure-never-ends")

    def sees(self) -> bool:
        """Return whether light reaches the sensor when the shutter is ordered to open."""
        return not self.troubles.active("shutter-stuck")

    def exposed_s(self, exposure_s: float) -> float:
        """Return how long it exposes when it is asked for a time."""
        return exposure_s

    def sent(self, pixels: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Return what leaves the camera when these pixels were read out."""
        return pixels

    def _cooler_strength(self, utc_s: float) -> float:
        if self.troubles.active_at("cooler-fails", utc_s):
            return 0.0
        return _WEAK if self.troubles.active_at("cooler-weak", utc_s) else 1.0

    async def _hang(self, began_s: float) -> None:
        if self.troubles.active_at("exposure-never-ends", began_s) or self.troubles.active(
            "exposure-never-ends"
        ):
            self._freed.clear()
            await self._freed.wait()
            raise DeviceError(f"{self.context.name} has given up its exposure", retryable=True)

    async def _expose(self, command: Expose) -> FrameRef:
        if self._phase != "idle":
            raise DeviceError(f"{self.context.name} is {self._phase}", retryable=True)
        for name, most in (("gain", self._options.max_gain), ("offset", self._options.max_offset)):
            if getattr(command, name) > most:
                raise DeviceError(f"{self.context.name} has no {name} above {most}")
        sensor = self._sensor(command.binning)
        began = self.clock.now()
        began_s = self.clock.unix_s()
        self._beam.begin(began_s)
        open_s = self.exposed_s(command.exposure_s)
        dark = command.frame in ("dark", "bias") and self._options.shutter
        lit = not dark and self.sees()
        self._enter("exposing", command.exposure_id, began)
        try:
            await self.clock.sleep(open_s)
            await self._hang(began_s)
            view = self._beam.look(sensor, began_s, open_s, shutter=lit)
            sensor_c = self._cooler.sensor_c(self.clock.unix_s())
            self._enter("reading", command.exposure_id, began)
            await self.clock.sleep(self._options.readout_s / command.binning)
            taken = command.model_copy(update={"exposure_s": open_s})
            pixels, facts = self._read_out(sensor, view, taken, sensor_c, began_s)
            pixels = self.sent(pixels)
            return self._spoilt.keep(
                pixels, self._reference(sensor, command, pixels.shape, began, facts)
            )
        finally:
            self._enter("idle", None, None)
            self._keep_body()

    def _read_out(
        self, sensor: Sensor, view: SkyView, command: Expose, sensor_c: float, began_s: float
    ) -> tuple[NDArray[np.uint16], FrameFacts | None]:
        rng = generator(self.seed, "frame", round(began_s * 1000.0))
        exposure_s, gain, offset = command.exposure_s, command.gain, command.offset
        if self._options.sky_mode == "pixels":
            floor_e2 = sensor.dark_e_s(sensor_c) * exposure_s + sensor.read_noise_e**2
            light = render(view, sensor, exposure_s, floor_e2)
            pixels = sensor.read(light, exposure_s, sensor_c, gain, offset, rng, began_s)
            return pixels, None
        facts = facts_of(view, sensor, exposure_s, sensor_c, gain, offset, rng)
        tiny = facts.background_adu + facts.noise_adu * rng.standard_normal(_TINY_SHAPE)
        full = sensor.saturation_adu(gain, offset)
        return np.clip(np.rint(tiny), 0, full).astype(np.uint16), facts

    def _reference(
        self,
        sensor: Sensor,
        command: Expose,
        shape: tuple[int, ...],
        began: datetime,
        facts: FrameFacts | None,
    ) -> FrameRef:
        return FrameRef(
            sha256="0" * 64,  # the spool fills in what it stored, and where
            where="",
            width_px=shape[1],
            height_px=shape[0],
            exposure_id=command.exposure_id,
            frame=command.frame,
            began_at=began.astimezone(UTC),
            exposure_s=command.exposure_s,
            gain=command.gain,
            offset=command.offset,
            binning=command.binning,
            sensor_c=self._cooler.reading_c(self.clock.unix_s()),
            setpoint_c=self._cooler.setpoint_c,
            pixel_um=self._options.pixel_um,
            electrons_per_adu=sensor.electrons_per_adu(command.gain),
            saturation_adu=sensor.saturation_adu(command.gain, command.offset),
            bayer=sensor.bayer,
            read_noise_e=sensor.read_noise_e,
            first_row="bottom",  # rendered as FITS counts, upwards
            facts=facts,
        )

    async def _acknowledge(self, command: Acknowledge) -> None:
        self._spoilt.drop(command.sha256)
        self.context.changed()

    async def _list_waiting(self, _command: ListWaiting) -> Waiting:
        return Waiting(frames=self._spoilt.waiting())

    async def _cool(self, command: Cool) -> None:
        self._cooler.cool(self.clock.unix_s(), command.setpoint_c, command.rate_c_per_min)
        self.context.changed()
        self._keep_body()

    async def _warm(self, command: Warm) -> None:
        self._cooler.warm(self.clock.unix_s(), command.rate_c_per_min)
        self.context.changed()
        self._keep_body()

    def _sensor(self, binning: int) -> Sensor:
        if binning not in self._sensors:
            self._sensors[binning] = self._sensors[1].binned(binning)
        return self._sensors[binning]

    def _enter(
        self,
        phase: Literal["idle", "exposing", "reading"],
        exposure_id: str | None,
        since: datetime | None,
    ) -> None:
        self._phase, self._exposure_id, self._since = phase, exposure_id, since
        self.context.changed()


def make(context: DriverContext) -> SimulatedCamera:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedCamera(context))
