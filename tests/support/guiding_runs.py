"""Closed loops on the numeric mount: the program's, a plain proportional one, a clairvoyant one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.guiding import GuideLoop, GuidePointing, GuideSettings, LoopOutput, SettleRule
from midwatch.imaging.guiding.steering import GuidePulse
from midwatch.imaging.guiding.tracking import Tracker, find_guide_stars
from support.guiding_bench import GuideScope, NumberMount

EXPOSURE_S, READ_OUT_S = 2.0, 0.4
MAX_PULSE_MS, MIN_PULSE_MS = 2000, 10
RULE = SettleRule(under_arcsec=2.0, hold_s=8.0, timeout_s=90.0)


@dataclass
class Trace:
    """What happened; residuals are of the mount during exposures, seeing left out."""

    time_s: list[float] = field(default_factory=list)
    truth: list[NDArray[np.float64]] = field(default_factory=list)
    outputs: list[LoopOutput] = field(default_factory=list)
    seeing: list[NDArray[np.float64]] = field(default_factory=list)

    def note(self, scope: GuideScope, began_s: float, truth: NDArray[np.float64]) -> None:
        self.time_s.append(began_s)
        self.truth.append(truth)
        self.seeing.append(scope.seeing_arcsec)

    def image_motion_arcsec(self, from_s: float = 0.0) -> float:
        """Rms about the mean of where the stars stood, seeing included, both axes in quadrature."""
        stood = [
            truth.mean(axis=0) + seeing
            for t, truth, seeing in zip(self.time_s, self.truth, self.seeing, strict=True)
            if t >= from_s
        ]
        return float(np.hypot(*np.std(stood, axis=0)))

    def residual_arcsec(self, from_s: float = 0.0, until_s: float = math.inf) -> tuple[float, ...]:
        """Rms about the mean over all instants of all exposures: RA, declination, in quadrature.

        About the mean, since the target itself is where one frame with its seeing showed the stars.
        """
        chosen = [e for t, e in zip(self.time_s, self.truth, strict=True) if from_s <= t < until_s]
        ra, dec = np.concatenate(chosen).std(axis=0)
        return float(ra), float(dec), float(np.hypot(ra, dec))

    @property
    def events(self) -> list[str]:
        return [event.name for output in self.outputs for event in output.events]


class Night:
    """Exposes, hands over, performs pulses, and lets time pass."""

    def __init__(self, scope: GuideScope, start_s: float = 0.0) -> None:
        self.scope, self.mount = scope, scope.mount
        self.now_s = start_s
        self.trace = Trace()
        self.loop: GuideLoop | None = None

    def settings(self, **more: object) -> GuideSettings:
        return GuideSettings.model_validate(
            {"scale_arcsec_px": self.scope.optics.scale_arcsec_px, "gain_e_adu": 1.0} | more
        )

    def pointing(self) -> GuidePointing:
        return GuidePointing(
            dec_deg=self.mount.dec_deg, pier_side="west" if self.mount.flipped else "east"
        )

    def expose(self, *, blind: bool = False) -> tuple[Frame, float, NDArray[np.float64]]:
        began_s = self.now_s
        data, truth = self.scope.expose(began_s, EXPOSURE_S, blind=blind)
        self.now_s += EXPOSURE_S + READ_OUT_S
        return Frame(data), began_s, truth

    def perform(self, pulses: tuple[GuidePulse, ...]) -> None:
        for pulse in pulses:
            self.mount.pulse(pulse.direction, pulse.duration_ms)
        longest = max((pulse.duration_ms for pulse in pulses), default=0)
        self.now_s += longest / 1e3 + 0.05

    def begin(self, loop: GuideLoop, rule: SettleRule = RULE, **more: bool) -> LoopOutput:
        frame, began_s, _ = self.expose()
        output = loop.begin(frame, began_s, self.pointing(), rule, **more)
        self.loop = loop
        self.trace.outputs.append(output)
        self.perform(output.pulses)
        return output

    def cycle(self) -> LoopOutput:
        assert self.loop is not None
        frame, began_s, truth = self.expose()
        output = self.loop.on_frame(frame, began_s, EXPOSURE_S)
        self.trace.note(self.scope, began_s, truth)
        self.trace.outputs.append(output)
        self.perform(output.pulses)
        return output

    def run(self, until: Callable[[LoopOutput], bool], limit_s: float) -> LoopOutput:
        """Cycle until something holds; fails when it does not in time."""
        end_s = self.now_s + limit_s
        while self.now_s < end_s:
            output = self.cycle()
            if until(output):
                return output
        raise AssertionError(f"not reached in {limit_s} s: {self.trace.events[-5:]}")

    def run_for(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.cycle()


def event(name: str) -> Callable[[LoopOutput], bool]:
    return lambda output: any(e.name == name for e in output.events)


def guided(scope: GuideScope, seconds: float, **settings: object) -> Night:
    """Calibrate, settle and guide for some time; the trace begins where it had settled."""
    night = Night(scope)
    night.begin(GuideLoop(night.settings(**settings)))
    night.run(event("settled"), 600.0)
    events = list(night.trace.outputs)
    night.trace = Trace(outputs=events)
    night.run_for(seconds)
    return night


def plain(
    scope: GuideScope, seconds: float, gain: float, least_arcsec: float, start_s: float
) -> Trace:
    """Guide by a proportional rule on the same star measurements, its conversions known exactly."""
    night = Night(scope, start_s)
    mount = scope.mount
    mount.target = mount.error(start_s)
    frame, _, _ = night.expose()
    tracker = Tracker(find_guide_stars(frame))
    end_s = night.now_s + seconds
    while night.now_s < end_s:
        frame, began_s, truth = night.expose()
        shift = tracker.measure(frame)
        night.trace.note(scope, began_s, truth)
        if shift is None:
            night.perform(())
            continue
        axes = np.stack([scope.to_px(1.0, 0.0), scope.to_px(0.0, 1.0)], axis=1)
        errors = np.linalg.solve(axes, [shift.x_px, shift.y_px])
        night.perform(_pulses(mount, -gain * errors, least_arcsec))
    return night.trace


def clairvoyant(scope: GuideScope, seconds: float, *, foresees: bool, start_s: float) -> Trace:
    """Guide by the true error at the moment of deciding, without any seeing.

    With `foresees` it also knows drift and periodic error of the time to come, so that only what
    nobody can foretell is left; without, it removes what it sees at the moment.
    """
    night = Night(scope, start_s)
    mount = scope.mount
    mount.target = mount.error(start_s)
    end_s = night.now_s + seconds
    while night.now_s < end_s:
        _, began_s, truth = night.expose(blind=True)
        night.trace.note(scope, began_s, truth)
        error = np.array(mount.error(night.now_s))
        if foresees:
            middle_s = night.now_s + 0.1 + EXPOSURE_S / 2
            error += np.array(mount.steady(middle_s)) - np.array(mount.steady(night.now_s))
        night.perform(_pulses(mount, -error, 0.0))
    return night.trace


def _pulses(
    mount: NumberMount, move_arcsec: NDArray[np.float64], least_arcsec: float
) -> tuple[GuidePulse, ...]:
    rates = (mount.guide_arcsec_s * math.cos(math.radians(mount.dec_deg)), mount.guide_arcsec_s)
    names = (("east", "west"), ("north", "south"))
    pulses = []
    for move, rate, (forward, backward) in zip(move_arcsec, rates, names, strict=True):
        duration_ms = min(round(1e3 * abs(move) / rate), MAX_PULSE_MS)
        if abs(move) >= least_arcsec and duration_ms >= MIN_PULSE_MS:
            pulses.append(GuidePulse(forward if move > 0 else backward, duration_ms))
    return tuple(pulses)
