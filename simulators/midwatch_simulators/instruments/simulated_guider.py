"""Simulated guider: a closed loop, modelled by what it leaves over rather than cycle by cycle."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, ClassVar, Literal

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import Dither, GuiderState, Settle, StartGuiding, StopGuiding
from midwatch.sky import Observer, TreeLine
from midwatch_simulators.base import (
    CALM_WIND_MS,
    GuiderTruth,
    Handler,
    Heard,
    MountTruth,
    Options,
    RoofTruth,
    SimulatedDevice,
    awake,
    normal,
    read_options,
)
from midwatch_simulators.sky import Air, cloud_extinction_mag

_DECAY_S = 4.0  # an offset shrinks by e in two cycles of two seconds at a gain near 0.7
_CYCLE_S = 2.0
_GAIN = 0.7
_REPORT_S = 30.0
# Hot pixels hide the fainter guide stars, and a tenth of the exposure has the root of a tenth of
# the signal to noise; each widens what is left over (common practice, no source).
_HOT_SNR, _HOT_ERROR = 0.4, 1.8
_SHORT_SNR, _SHORT_ERROR = math.sqrt(0.1), 1.6
_SWING_ARCSEC, _SWING_S, _WIDEST_ARCSEC = 0.5, 40.0, 15.0  # of a swing that grows by e
_NOTICED_S = 6.0  # three equal frames


class GuiderOptions(Options):
    """Settings of the simulated guider.

    Attributes:
        seeing_arcsec: median width of a star in the zenith.
        wind_arcsec_per_ms: shake by each m/s of gust above a calm 4 m/s.
        dec_play_arcsec: what backlash leaves over in declination.
        snr: signal to noise of the guide star under a clear sky.
        lost_below_snr: the star is lost when it is fainter than this.
        trees_above_horizon_deg: by how much trees are taller than the site's horizon says.
    """

    seeing_arcsec: float = Field(default=2.5, gt=0, le=20)
    acquire_s: float = Field(default=6.0, ge=0, le=300)
    calibrate_s: float = Field(default=45.0, ge=0, le=600)
    wind_arcsec_per_ms: float = Field(default=0.12, ge=0, le=10)
    dec_play_arcsec: float = Field(default=0.15, ge=0, le=10)
    snr: float = Field(default=40.0, gt=0)
    lost_below_snr: float = Field(default=8.0, gt=0)
    trees_above_horizon_deg: float = Field(default=0.0, ge=0, le=60)


class SimulatedGuider(SimulatedDevice):
    """A guide camera and its loop, on the simulated mount.

    The loop ends with its driver, the calibration is kept.

    Faults of the loop: ``guide-star-lost``, ``guide-overcorrection`` (what is left over grows),
    ``guide-calibration-nonsense`` (no calibration succeeds). Of the camera in it:
    ``guide-camera-unplugged``, ``guide-camera-frozen`` (noticed at the third equal frame),
    ``guide-camera-hot`` and ``guide-camera-wrong-exposure`` (fainter, and more left over).
    """

    kind = Kind.GUIDER
    shows: ClassVar[tuple[str, ...]] = (
        "guide-camera-unplugged", "guide-camera-frozen", "guide-camera-hot",
        "guide-camera-wrong-exposure", "guide-star-lost", "guide-overcorrection",
        "guide-calibration-nonsense",
    )  # fmt: skip

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(GuiderOptions, context)
        super().__init__(context)
        self._phase: Literal["idle", "calibrating", "guiding", "settling", "lost"] = "idle"
        taller_deg = self._options.trees_above_horizon_deg
        self._trees = TreeLine(context.horizon, taller_deg) if taller_deg > 0.0 else None
        self._observer = Observer(context.place)
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
        figures = self._figures() if self._guiding else {}
        return GuiderState(
            connected=self.connected,
            at_rest=self._phase == "idle",
            fault=self.fault,
            phase=self._phase,
            calibrated=self._calibrated,
            **figures,
        )

    def _figures(self) -> dict[str, float]:
        """Return what the loop says of itself while it guides."""
        ra_arcsec, dec_arcsec = self._residual_arcsec()
        tick = int(self.clock.unix_s() // _REPORT_S)
        error = math.hypot(
            ra_arcsec * normal(self.seed, "ra", tick), dec_arcsec * normal(self.seed, "dec", tick)
        )
        return {
            "rms_ra_arcsec": round(ra_arcsec, 3),
            "rms_dec_arcsec": round(dec_arcsec, 3),
            "star_snr": round(self._snr(), 1),
            "error_arcsec": round(error, 3),
        }

    def body(self) -> dict[str, JsonValue]:
        """Return what a loop keeps."""
        return {"calibrated": self._calibrated}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the calibration again; there was no guiding meanwhile."""
        self._calibrated = body.get("calibrated") is True

    def trouble(self, name: str, began: bool) -> None:
        """Look at the star at once; a frozen camera takes some frames to be noticed."""
        if name == "guide-camera-frozen" and began:
            self.context.spawn(f"{self.context.name} frozen", self._notice_frozen())
        else:
            self._look()

    async def _notice_frozen(self) -> None:
        await self.clock.sleep(_NOTICED_S)
        self._look()

    def link_lost(self) -> None:
        """End the loop without its camera."""
        self._end("lost" if self._guiding else "idle")

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
                if self.troubles.active("guide-calibration-nonsense"):
                    raise DeviceError(
                        f"{self.context.name} does not calibrate: pulses east and north move the"
                        " star the same way; check the guide cable and the guide rate",
                        retryable=True,
                    )
                self._calibrated = True
            self._since_utc_s = self.clock.unix_s()
            self._east_arcsec = self._north_arcsec = 0.0
            self._phase = "settling"
            self.inform()
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
        self.inform()
        try:
            await self._settle(
                command.settle, math.hypot(command.east_arcsec, command.north_arcsec)
            )
        finally:
            # A dither that did not settle leaves a loop that still guides.
            if self._phase == "settling":
                self._phase = "guiding"
                self.inform()

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
        self.inform()

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
                if self.troubles.active("guide-overcorrection"):
                    self.publish_truth()
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
        frozen_s = self.troubles.since_utc_s("guide-camera-frozen")
        if frozen_s is not None and self.clock.unix_s() - frozen_s >= _NOTICED_S:
            return "the guide camera sends the same frame again and again"
        if (snr := self._snr()) < self._options.lost_below_snr:
            return f"no star; signal to noise is {snr:.1f}"
        return None

    def _end(self, phase: Literal["idle", "lost"]) -> None:
        changed = self._phase != phase
        self._phase, self._since_utc_s, self.fault = phase, 0.0, None
        if changed:
            self.inform()

    def _snr(self) -> float:
        if self.troubles.active("guide-star-lost"):
            return 0.0
        share = _HOT_SNR if self.troubles.active("guide-camera-hot") else 1.0
        if self.troubles.active("guide-camera-wrong-exposure"):
            share *= _SHORT_SNR
        cloud = self._air.cloud_percent_at(self.clock.unix_s())
        share *= self._past_trees()
        return share * self._options.snr * math.pow(10.0, -0.4 * cloud_extinction_mag(cloud))

    def _past_trees(self) -> float:
        """Return the share of the guide star's light that no tree takes."""
        mount, now_s = self._mount.latest, self.clock.unix_s()
        if self._trees is None or mount is None:
            return 1.0
        at = self._observer.quick_at(now_s).altaz_ha(*mount.pointing(now_s), now_s)
        return float(self._trees.open_share(at.az_deg, at.alt_deg))

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
        if self.troubles.active("guide-camera-hot"):
            wander *= _HOT_ERROR
        if self.troubles.active("guide-camera-wrong-exposure"):
            wander *= _SHORT_ERROR
        shake = options.wind_arcsec_per_ms * max(0.0, self._air.gust_ms(now) - CALM_WIND_MS)
        mount = self._mount.latest
        swing = 0.0
        if (since_s := self.troubles.since_utc_s("guide-overcorrection")) is not None:
            # A run that was started again grows again.
            grown_s = now - max(since_s, self._since_utc_s)
            swing = min(_SWING_ARCSEC * math.exp(min(grown_s / _SWING_S, 50.0)), _WIDEST_ARCSEC)
        lag = 0.0
        if mount is not None:
            slope = math.pi * mount.worm_arcsec / mount.worm_period_s / math.sqrt(2.0)
            lag = slope * _CYCLE_S / _GAIN
        return (
            math.hypot(wander, shake, lag, swing),
            math.hypot(wander, shake, options.dec_play_arcsec, swing),
        )

    @property
    def _air(self) -> Air:
        return self._weather.latest or Air()


def make(context: DriverContext) -> SimulatedGuider:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedGuider(context))
