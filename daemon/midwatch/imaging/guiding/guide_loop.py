"""The guide loop: frames in, pulses out. Pure: no clock, no device, no file."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from midwatch.imaging.frame import Frame
from midwatch.imaging.guiding.calibrating import (
    Calibration,
    Calibrator,
    Done,
    Failed,
    FlipCheck,
    Holds,
    PulseStep,
    Steering,
)
from midwatch.imaging.guiding.guide_settings import GuidePointing, GuideSettings
from midwatch.imaging.guiding.outputs import GuideEvent, LoopOutput, LoopPhase
from midwatch.imaging.guiding.settle import SettleRule, SettleWatch
from midwatch.imaging.guiding.statistics import GuideStatistics
from midwatch.imaging.guiding.steering import GuideController, GuidePulse, Memory
from midwatch.imaging.guiding.tracking import HotPixelMap, Shift, Tracker, find_guide_stars

__all__ = ["GuideLoop"]

# Frames without a star before this is called lost: a satellite or one bad frame is no loss.
_LOST_FRAMES = 3
# Frames in a row without a star during which a calibration waits.
_CALIBRATION_PATIENCE = 20


class GuideLoop:
    """Chooses stars, calibrates, settles, guides, dithers, loses and finds again.

    The driver's part: take an exposure; `begin` with the first, `on_frame` with each further one;
    perform the pulses; take the next exposure when they are done. Times are seconds of any steady
    clock, the same throughout.
    """

    def __init__(self, settings: GuideSettings) -> None:
        self._settings = settings
        self._phase: LoopPhase = "idle"
        self._calibration: Calibration | None = None
        self._memory = Memory(dec_follows_sky=settings.dec_follows_sky)
        self._pointing = GuidePointing(dec_deg=0.0)
        self._tracker: Tracker | None = None
        self._hot: HotPixelMap | None = None
        self._calibrator: Calibrator | FlipCheck | None = None
        self._steersman: GuideController | None = None
        self._rule = SettleRule(1.5, 10.0, 90.0)
        self._watch: SettleWatch | None = None
        self._asked: tuple[GuidePulse, ...] = ()
        self._events: list[GuideEvent] = []
        self._now_s = 0.0
        self._replaced = 0

    @property
    def phase(self) -> LoopPhase:
        """Where the loop is."""
        return self._phase

    @property
    def calibrated(self) -> bool:
        """Whether a calibration is in force."""
        return self._calibration is not None

    @property
    def calibration(self) -> Calibration | None:
        """The calibration in force."""
        return self._calibration

    def begin(
        self,
        frame: Frame,
        now_s: float,
        pointing: GuidePointing,
        settle: SettleRule,
        *,
        recalibrate: bool = False,
    ) -> LoopOutput:
        """Choose stars on a frame and begin: with calibrating if there is no valid calibration.

        The phase stays "idle", with the event "no_stars", when the frame shows no usable star:
        call again with another, perhaps longer, exposure.
        """
        self.stop()
        self._now_s, self._pointing, self._rule = now_s, pointing, settle
        height, width = frame.data.shape
        if self._hot is None or self._hot.shape != (height, width):
            self._hot = HotPixelMap((height, width))
        settings = self._settings
        field = find_guide_stars(
            frame,
            most=settings.most_stars,
            edge_px=settings.edge_px,
            hot=self._hot,
            gain_e_adu=settings.gain_e_adu,
        )
        if len(field) == 0:
            self._say("no_stars", "the frame shows no star fit for guiding")
            return self._output((), None, None)
        self._say(
            "stars_chosen",
            f"{len(field)} guide stars, the brightest with a signal to noise of {field.snr[0]:.0f},"
            f" {field.fwhm_px:.1f} px wide",
        )
        self._tracker = Tracker(
            field,
            hot=self._hot,
            most=settings.most_stars,
            edge_px=settings.edge_px,
            reacquire_px=settings.reacquire_px,
            gain_e_adu=settings.gain_e_adu,
        )
        self._replaced = 0
        start = Shift(0.0, 0.0, np.zeros((2, 2)), len(field), float(field.snr[0]), np.nan, 1.0)
        pulses = self._begin_steering(start, recalibrate=recalibrate)
        return self._output(pulses, 0.0, start)

    def on_frame(
        self,
        frame: Frame,
        began_s: float,
        exposure_s: float,
        *,
        performed: tuple[GuidePulse, ...] | None = None,
    ) -> LoopOutput:
        """Take in an exposure and say what to do before the next.

        Args:
            frame: The exposure, of the same shape and origin as the one of `begin`.
            began_s: When its exposure began.
            exposure_s: How long it was.
            performed: The pulses performed since the last frame where these differ from those
                asked for (a limit refused them); None: as asked.

        Raises:
            RuntimeError: The loop is idle.
        """
        if self._tracker is None:
            raise RuntimeError("guiding was not begun; call begin with a first frame")
        done = self._asked if performed is None else performed
        self._now_s = began_s + exposure_s / 2.0
        if self._steersman is not None and self._calibrator is None:
            self._steersman.performed(done)
            expected = self._steersman.expected_px(self._now_s)
        else:
            expected = self._calibrator.expected_px if self._calibrator else (0.0, 0.0)
        shift = self._tracker.measure(frame, expected)
        if shift is not None and self._hot is not None:
            x, y = self._tracker.target_px
            self._hot.learn(frame.data, (shift.x_px + x, shift.y_px + y))
        if self._calibrator is not None:
            pulses = self._calibrate(shift, refused=bool(self._asked) and not done)
            return self._output(pulses, None, shift)
        assert self._steersman is not None
        steered = self._steersman.steer(self._now_s, began_s, shift)
        self._note_loss_and_return(shift)
        self._note_settling(shift, steered.measured_arcsec, steered.estimated_arcsec)
        self._note_learning()
        return self._output(steered.pulses, steered.measured_arcsec, shift)

    def dither(self, east_arcsec: float, north_arcsec: float, settle: SettleRule) -> None:
        """Shift the target on the sky; the phase is "settling" until "settled" is reported.

        Raises:
            RuntimeError: The loop neither guides nor settles.
        """
        if self._steersman is None or self._phase not in ("guiding", "settling", "lost"):
            raise RuntimeError(f"a dither needs guiding; the loop is {self._phase}")
        assert self._tracker is not None
        dx, dy = self._steersman.steering.shift_px(east_arcsec, north_arcsec)
        self._tracker.move_target(dx, dy)
        self._steersman.retarget(east_arcsec, north_arcsec)
        self._settle(settle)

    def stop(self) -> None:
        """Return to idle; calibration and what was learned stay."""
        if self._steersman is not None:
            self._memory = self._steersman.remember(self._memory)
        self._phase = "idle"
        self._tracker, self._calibrator, self._watch = None, None, None
        self._steersman = None
        self._asked = ()

    def unguided_blur_arcsec(self, exposure_s: float) -> float:
        """Return the rms blur, both axes in quadrature, of an exposure without corrections.

        From the drift and periodic error that the mount has shown; NaN until it has been watched
        for two such exposures.
        """
        return float("nan") if self._steersman is None else self._steersman.blur_arcsec(exposure_s)

    def save(self) -> dict[str, object]:
        """Return calibration and learned model, fit for JSON."""
        memory = self._memory
        if self._steersman is not None:
            memory = self._steersman.remember(memory)
        return {
            "calibration": self._calibration.model_dump(mode="json") if self._calibration else None,
            "memory": memory.model_dump(mode="json"),
        }

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take up what `save` returned, before `begin`.

        Raises:
            ValueError: It cannot be read; nothing is taken up then.
        """
        kept = saved.get("calibration")
        calibration = None if kept is None else Calibration.model_validate(kept)
        memory = Memory.model_validate(saved.get("memory", {}))
        if memory.dec_follows_sky is None or self._settings.dec_follows_sky is not None:
            memory = memory.model_copy(update={"dec_follows_sky": self._settings.dec_follows_sky})
        self._calibration, self._memory = calibration, memory

    # Beginning and calibrating ------------------------------------------------------------------

    def _begin_steering(self, start: Shift, *, recalibrate: bool) -> tuple[GuidePulse, ...]:
        """Take up the saved calibration, check it, or begin a new one."""
        saved = None if recalibrate else self._calibration
        settings = self._settings.model_copy(
            update={"dec_follows_sky": self._memory.dec_follows_sky}
        )
        validity = "invalid" if saved is None else saved.validity(settings, self._pointing)
        if saved is None or validity == "invalid":
            return self._calibrate_again(start)
        if validity == "check":
            self._say("calibration_check", "short pulses show how the saved calibration holds")
            self._phase = "calibrating"
            self._calibrator = FlipCheck(
                saved, self._pointing, start, self._settings.calibration_distance_px
            )
            return self._next_pulse()
        turned = validity == "flipped"
        holds = "the saved calibration holds"
        if self._pointing.pier_side != "none":
            holds += f" on the {self._pointing.pier_side} side of the pier"
        self._say("calibration_reused", holds + (", turned by the flip" if turned else ""))
        follows = self._memory.dec_follows_sky is not False
        self._steer(saved.steering(self._pointing, turned=turned, dec_follows_sky=follows), saved)
        return ()

    def _calibrate_again(self, start: Shift) -> tuple[GuidePulse, ...]:
        self._say("calibration_begun", f"calibrating at {self._pointing.dec_deg:+.1f} deg")
        self._phase = "calibrating"
        self._calibration = None
        self._calibrator = Calibrator(self._settings, self._pointing, start, self._now_s)
        return self._next_pulse()

    def _calibrate(self, shift: Shift | None, *, refused: bool) -> tuple[GuidePulse, ...]:
        assert self._calibrator is not None and self._tracker is not None
        if shift is None:
            if self._tracker.lost_frames >= _CALIBRATION_PATIENCE:
                return self._fail(f"the stars were lost: {self._tracker.lost_reason}")
            return ()
        if refused:
            return self._next_pulse()
        # Without pulses on the last frame there was nothing to answer to.
        if self._asked:
            if isinstance(self._calibrator, FlipCheck):
                self._calibrator.inform(shift)
            else:
                self._calibrator.inform(shift, self._now_s)
        step = self._calibrator.next_step()
        if isinstance(step, Failed) and isinstance(self._calibrator, FlipCheck):
            self._say("calibration_check", f"the saved calibration is given up: {step.reason}")
            return self._calibrate_again(shift)
        if isinstance(step, Failed):
            return self._fail(step.reason)
        if isinstance(step, PulseStep):
            return self._next_pulse()
        self._take_up(step)
        return ()

    def _take_up(self, step: Done | Holds) -> None:
        """Steer by the calibration that a run or a check has given."""
        if isinstance(step, Done):
            self._calibration = found = step.calibration
            self._memory = self._memory.model_copy(update={"dec_play_arcsec": None})
            steering = found.steering(self._pointing, turned=False, dec_follows_sky=True)
            self._steer(steering, found)
            self._say(
                "calibrated",
                f"RA {found.ra_rate_px_s:.2f} px/s, declination {found.dec_rate_px_s:.2f} px/s, "
                f"camera at {found.angle_deg:.1f} deg, axes {found.orthogonality_error_deg:+.1f} "
                f"deg from square, declination play {found.dec_backlash_ms:.0f} ms",
            )
            return
        assert self._calibration is not None
        # Both signs relative to the calibration's side, where a pulse north moved north.
        sides = (self._pointing.pier_side, self._calibration.pier_side)
        if step.turned and not {"unknown", "none"} & set(sides):
            self._memory = self._memory.model_copy(update={"dec_follows_sky": step.dec_follows_sky})
        steering = self._calibration.steering(
            self._pointing, turned=step.turned, dec_follows_sky=step.dec_follows_sky
        )
        self._steer(steering, self._calibration)
        way = "north" if steering.sky_north_sign > 0 else "south"
        self._say(
            "calibration_reused",
            f"the saved calibration holds{' turned' if step.turned else ''}; "
            f"a pulse north moves {way}",
        )

    def _fail(self, reason: str) -> tuple[GuidePulse, ...]:
        self.stop()
        self._say("calibration_failed", reason)
        return ()

    def _next_pulse(self) -> tuple[GuidePulse, ...]:
        assert self._calibrator is not None
        step = self._calibrator.next_step()
        assert isinstance(step, PulseStep)
        return (GuidePulse(step.direction, step.duration_ms),)

    def _steer(self, steering: Steering, calibration: Calibration) -> None:
        self._calibrator = None
        self._steersman = GuideController(self._settings, steering, calibration, self._memory)
        self._settle(self._rule)

    # Notes --------------------------------------------------------------------------------------

    def _settle(self, rule: SettleRule) -> None:
        self._rule = rule
        self._watch = SettleWatch(rule, self._now_s)
        if self._phase != "lost":
            self._phase = "settling"

    def _note_loss_and_return(self, shift: Shift | None) -> None:
        assert self._tracker is not None
        if shift is None:
            if self._tracker.lost_frames == _LOST_FRAMES:
                self._phase = "lost"
                self._say("stars_lost", f"the guide stars are lost: {self._tracker.lost_reason}")
        elif self._phase == "lost":
            self._say("stars_found", f"{shift.used} guide stars are seen again")
            self._phase = "settling"
            self._settle(self._rule)

    def _note_settling(
        self, shift: Shift | None, measured_arcsec: float | None, estimated_arcsec: float
    ) -> None:
        if self._watch is None:
            return
        seen = None if shift is None else measured_arcsec
        outcome = self._watch.inform(self._now_s, seen, estimated_arcsec)
        if outcome == "waiting":
            return
        rule = self._watch.rule
        self._watch = None
        if self._phase == "settling":
            self._phase = "guiding"
        if outcome == "settled":
            if self._steersman is not None:
                self._steersman.settled(self._now_s - rule.hold_s)
            self._say("settled", f"under {rule.under_arcsec:.2f} arcsec for {rule.hold_s:.0f} s")
        else:
            self._say(
                "settle_timed_out",
                f"not under {rule.under_arcsec:.2f} arcsec for {rule.hold_s:.0f} s within "
                f"{rule.timeout_s:.0f} s",
            )

    def _note_learning(self) -> None:
        assert self._steersman is not None and self._tracker is not None
        for name, text in self._steersman.news():
            self._say(name, text)
        if self._tracker.replaced > self._replaced:
            count = self._tracker.replaced - self._replaced
            self._say("star_replaced", f"{count} new guide stars take the place of lost ones")
            self._replaced = self._tracker.replaced

    def _say(self, name: str, text: str) -> None:
        self._events.append(GuideEvent(name, text))

    def _output(
        self, pulses: tuple[GuidePulse, ...], error_arcsec: float | None, shift: Shift | None
    ) -> LoopOutput:
        self._asked = pulses
        events, self._events = tuple(self._events), []
        stats = (
            GuideStatistics(scale_arcsec_px=self._settings.scale_arcsec_px)
            if self._steersman is None
            else self._steersman.statistics(shift)
        )
        return LoopOutput(pulses, self._phase, error_arcsec, stats, events)
