"""Simulated guider: a closed loop, modelled by what it leaves over rather than cycle by cycle."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Literal

from pydantic import Field

from midwatch.devices.driver import DeviceError, DriverContext
from midwatch.devices.models import (
    Command,
    Dither,
    GuiderState,
    Kind,
    Settle,
    StartGuiding,
    StopGuiding,
)

from .air import Air, cloud_extinction_mag
from .device import Handler, Heard, Options, SimulatedDevice, read_options
from .noise import normal
from .truth import CALM_WIND_MS, GuiderTruth, MountTruth, RoofTruth

_DECAY_S = 4.0  # an offset shrinks by e in two cycles of two seconds at a gain near 0.7
_CYCLE_S = 2.0
_GAIN = 0.7
_REPORT_S = 30.0


class GuiderOptions(Options):
    """Settings of the simulated guider.

    Attributes:
        seeing_arcsec: median width of a star in the zenith.
        wind_arcsec_per_ms: shake by each m/s of gust above a calm 4 m/s.
        dec_play_arcsec: what backlash leaves over in declination.
        snr: signal to noise of the guide star under a clear sky.
        lost_below_snr: the star is lost when it is fainter than this.
    """

    seeing_arcsec: float = Field(default=2.5, gt=0, le=20)
    acquire_s: float = Field(default=6.0, ge=0, le=300)
    calibrate_s: float = Field(default=45.0, ge=0, le=600)
    wind_arcsec_per_ms: float = Field(default=0.12, ge=0, le=10)
    dec_play_arcsec: float = Field(default=0.15, ge=0, le=10)
    snr: float = Field(default=40.0, gt=0)
    lost_below_snr: float = Field(default=8.0, gt=0)


class SimulatedGuider(SimulatedDevice):
    """A guide camera and its loop, on the simulated mount."""

    kind = Kind.GUIDER

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(GuiderOptions, context)
        super().__init__(context)
        self._phase: Literal["idle", "calibrating", "guiding", "settling", "lost"] = "idle"
        self._calibrated = False
        self._since_utc_s = 0.0
        self._east_arcsec = 0.0
        self._north_arcsec = 0.0
        self._weather = Heard(context, "weather", Air)
        self._roof = Heard(context, "roof", RoofTruth, lambda _: self._look())
        self._mount = Heard(context, "mount", MountTruth, lambda _: self._look())

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {StartGuiding: self._start, StopGuiding: self._stop, Dither: self._dither}

    def truth(self) -> GuiderTruth:
        """Return what guiding does to the pointing."""
        ra_arcsec, dec_arcsec = self._residual_arcsec()
        return GuiderTruth(
            utc_s=self.clock.unix_s(),
            guiding=self._guiding,
            since_utc_s=self._since_utc_s,
            rms_ra_arcsec=ra_arcsec,
            rms_dec_arcsec=dec_arcsec,
            east_arcsec=self._east_arcsec,
            north_arcsec=self._north_arcsec,
        )

    def state(self) -> GuiderState:
        """Return the whole state; figures change every half minute."""
        state = GuiderState(
            connected=self.connected,
            at_rest=self._phase == "idle",
            fault=self.fault,
            phase=self._phase,
            calibrated=self._calibrated,
        )
        if not self._guiding:
            return state
        ra_arcsec, dec_arcsec = self._residual_arcsec()
        tick = int(self.clock.unix_s() // _REPORT_S)
        error = math.hypot(
            ra_arcsec * normal(self.seed, "ra", tick), dec_arcsec * normal(self.seed, "dec", tick)
        )
        return state.model_copy(
            update={
                "rms_ra_arcsec": round(ra_arcsec, 3),
                "rms_dec_arcsec": round(dec_arcsec, 3),
                "star_snr": round(self._snr(), 1),
                "error_arcsec": round(error, 3),
            }
        )

    async def come_to_rest(self) -> None:
        """Stop guiding."""
        self._end("idle")

    async def halt(self) -> None:
        """Stop guiding."""
        self._end("idle")

    # Commands --------------------------------------------------------------------------------

    async def _start(self, command: StartGuiding) -> None:
        self._end("idle")
        self._check()
        needs_calibration = command.recalibrate or not self._calibrated
        with self._idle_if_not_done():
            self._phase = "calibrating" if needs_calibration else "settling"
            self.context.changed()
            await self.clock.sleep(self._options.acquire_s)
            self._check()
            if needs_calibration:
                await self.clock.sleep(self._options.calibrate_s)
                self._check()
                self._calibrated = True
            self._since_utc_s = self.clock.unix_s()
            self._east_arcsec = self._north_arcsec = 0.0
            self._phase = "settling"
            self.tell()
            if self.first_time("reports"):
                self.context.spawn(f"{self.context.name} reports", self._reports())
            start = abs(normal(self.seed, "start", int(self._since_utc_s)))
            await self._settle(command.settle, 2.0 + 2.0 * start)

    async def _stop(self, _command: StopGuiding) -> None:
        await self.clock.sleep(0.5)
        self._end("idle")

    async def _dither(self, command: Dither) -> None:
        if self._phase not in ("guiding", "settling"):
            raise DeviceError(
                f"{self.context.name} is {self._phase}; it dithers only while it guides"
            )
        self._east_arcsec += command.east_arcsec
        self._north_arcsec += command.north_arcsec
        self._phase = "settling"
        self.tell()
        try:
            await self._settle(
                command.settle, math.hypot(command.east_arcsec, command.north_arcsec)
            )
        finally:
            # A dither that did not settle leaves a loop that still guides.
            if self._phase == "settling":
                self._phase = "guiding"
                self.tell()

    async def _settle(self, settle: Settle, error_arcsec: float) -> None:
        """Wait until an error that decays on top of the residual is small for long enough."""
        left_arcsec = settle.under_arcsec - math.hypot(*self._residual_arcsec())
        needed_s = math.inf
        if left_arcsec > 0.0:
            decay_s = _DECAY_S * math.log(max(1.0, error_arcsec / left_arcsec))
            needed_s = math.ceil(decay_s / _CYCLE_S) * _CYCLE_S + settle.hold_s
        await self.clock.sleep(min(needed_s, settle.timeout_s))
        if self._phase == "lost":
            raise DeviceError(f"{self.context.name} lost the guide star: {self.fault}", True)
        if needed_s > settle.timeout_s:
            raise DeviceError(
                f"{self.context.name} did not stay under {settle.under_arcsec} arcsec for"
                f" {settle.hold_s} s within {settle.timeout_s} s",
                retryable=True,
            )
        self._phase = "guiding"
        self.tell()

    @contextmanager
    def _idle_if_not_done(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            if self._phase != "lost":
                self._end("idle")
            raise

    # The loop --------------------------------------------------------------------------------

    @property
    def _guiding(self) -> bool:
        return self._phase in ("guiding", "settling") and self._since_utc_s > 0.0

    async def _reports(self) -> None:
        while True:
            await self.clock.sleep(_REPORT_S)
            if self._guiding:
                self._look()
                self.context.changed()

    def _look(self) -> None:
        """Lose the star where it cannot be guided on."""
        if self._guiding and (why := self._obstacle()) is not None:
            self._end("lost")
            self.fault = why
            self.context.changed()

    def _check(self) -> None:
        if (why := self._obstacle()) is not None:
            raise DeviceError(f"{self.context.name} cannot guide: {why}", retryable=True)

    def _obstacle(self) -> str | None:
        mount, roof = self._mount.latest, self._roof.latest
        if mount is None or not mount.tracking or mount.slewing:
            return "the mount does not track"
        if roof is not None and roof.open_fraction < 0.5:
            return "the roof is closed"
        if (snr := self._snr()) < self._options.lost_below_snr:
            return f"no star; signal to noise is {snr:.1f}"
        return None

    def _end(self, phase: Literal["idle", "lost"]) -> None:
        changed = self._phase != phase
        self._phase, self._since_utc_s, self.fault = phase, 0.0, None
        if changed:
            self.tell()

    def _snr(self) -> float:
        cloud = self._air.cloud_percent_at(self.clock.unix_s())
        return self._options.snr * math.pow(10.0, -0.4 * cloud_extinction_mag(cloud))

    def _residual_arcsec(self) -> tuple[float, float]:
        """Return what is left in right ascension and declination.

        Seeing that the loop amplifies (white noise through a proportional gain g adds the
        variance share g / (2 - g)), the worm's slope over a cycle divided by the gain, wind.
        """
        options, now = self._options, self.clock.unix_s()
        # The centroid of a 2 s exposure wanders by some 12 percent of the star's width: common
        # practice, no source.
        wander = 0.12 * options.seeing_arcsec * self._air.seeing_factor(now)
        wander *= math.sqrt(1.0 + _GAIN / (2.0 - _GAIN))
        shake = options.wind_arcsec_per_ms * max(0.0, self._air.gust_ms(now) - CALM_WIND_MS)
        mount = self._mount.latest
        lag = 0.0
        if mount is not None:
            slope = math.pi * mount.worm_arcsec / mount.worm_period_s / math.sqrt(2.0)
            lag = slope * _CYCLE_S / _GAIN
        return (
            math.hypot(wander, shake, lag),
            math.hypot(wander, shake, options.dec_play_arcsec),
        )

    @property
    def _air(self) -> Air:
        return self._weather.latest or Air()


def make(context: DriverContext) -> SimulatedGuider:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return SimulatedGuider(context)
