"""Measures where the polar axis points, and follows it while a person turns its knobs."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from midwatch.alignment.alignment_plan import AlignmentField
from midwatch.imaging import Solution
from midwatch.sequencer.duties import DutyContext, DutyFailedError, point
from midwatch.sky import seconds_until_breach
from midwatch.sky.polar import (
    AxisError,
    KnobGuide,
    KnobTurn,
    SolvedFrame,
    axis_from_drift,
    axis_from_frames,
    drift_from_frames,
    knob_turns,
)

# How far from where it is expected a field is looked for. An axis may be off by degrees at first.
_RADII_DEG = (1.5, 4.0, 8.0)
# Exposures of further attempts, as multiples: thin cloud, or a field with few stars.
_LONGER = (1.0, 2.0, 4.0)
# Noise of a solved position unless the frames say more; a tenth of a usual pixel.
_SIGMA_ARCSEC = 0.5
_DRIFT_EVERY_S = 20.0
# Frames in a row that have to be within tolerance: the first may have seen a knob in motion.
_GOOD_FRAMES = 2
# Failures in a row after which the field counts as lost.
_LOST_FRAMES = 8
_LIMIT_AHEAD_S = 60.0

Publish = Callable[[dict[str, object]], Awaitable[None]]
Ended = Literal["reached", "stopped", "limit", "lost"]


@dataclass(frozen=True)
class Guided:
    """How guidance at the knobs ended.

    Attributes:
        ended: within tolerance; stopped by the person; at a limit of the mount; no more solved.
        error: what remained by the last frame; None before the first.
        frames: how many were solved.
    """

    ended: Ended
    error: AxisError | None
    frames: int


@dataclass
class Aligner:
    """Points, exposes and solves; one for a whole alignment.

    Attributes:
        exposure_s: of a frame to solve.
        inform: shows a line to the person.
        publish: sends the facts of guidance to the programs that show them.
    """

    context: DutyContext
    exposure_s: float
    inform: Callable[[str], None]
    publish: Publish
    # Where the telescope looked last, relative to where the mount believed: eastward in right
    # ascension and northward, degrees. Learned from the first field, for finding the next.
    _beside_deg: tuple[float, float] | None = field(default=None, init=False)

    async def measure_by_frames(self, pointings: Sequence[AlignmentField], each: int) -> AxisError:
        """Turn the polar axis through the pointings, solve frames at each, return the axis.

        Raises:
            DutyFailedError: a pointing is not reached or not solved.
        """
        frames: list[SolvedFrame] = []
        for number, pointing in enumerate(pointings, 1):
            await self._go(pointing, f"field {number} of {len(pointings)}")
            frames += [await self._solved() for _ in range(each)]
        return axis_from_frames(self.context.observer, frames, _SIGMA_ARCSEC)

    async def measure_by_drift(
        self, pointings: Sequence[AlignmentField], stay_s: float
    ) -> AxisError:
        """Track at each pointing for a while, and return the axis from the drift there.

        Raises:
            DutyFailedError: a pointing is not reached or not solved.
        """
        observer, clock = self.context.observer, self.context.clock
        drifts = []
        for number, pointing in enumerate(pointings, 1):
            await self._go(pointing, f"field {number} of {len(pointings)}, {stay_s / 60.0:.0f} min")
            began_s = clock.mono()
            frames = [await self._solved()]
            while clock.mono() - began_s < stay_s:
                await clock.sleep(_DRIFT_EVERY_S)
                frames.append(await self._solved())
            drifts.append(drift_from_frames(observer, frames, _SIGMA_ARCSEC))
        return axis_from_drift(observer.place, drifts)

    async def guide(self, error: AxisError, within_arcmin: float, stop: asyncio.Event) -> Guided:
        """Say after each frame what remains to be done, until it is little, or until `stop`.

        Raises:
            DutyFailedError: the first frame is not solved.
            WeakGeometryError: the field does not show both knobs.
        """
        observer = self.context.observer
        place = observer.place
        guide = KnobGuide(observer, error, await self._solved(), _SIGMA_ARCSEC)
        turns = knob_turns(place, error)
        now: AxisError | None = None
        good = bad = frames = 0
        await self.publish(guidance_facts(error, turns, done=False))
        self.inform(guidance_line(error, turns))
        while not stop.is_set():
            if self._limit_in_s() < _LIMIT_AHEAD_S:
                return Guided("limit", now, frames)
            frame = await self._look(1.0)
            if frame is None:
                bad += 1
                if bad >= _LOST_FRAMES:
                    return Guided("lost", now, frames)
                self.inform("no solution: leave the knobs alone for a moment")
                continue
            bad, frames = 0, frames + 1
            now = guide.remaining(frame)
            turns = knob_turns(place, now)
            good = good + 1 if now.total_arcmin <= within_arcmin else 0
            done = good >= _GOOD_FRAMES
            await self.publish(guidance_facts(now, turns, done=done))
            self.inform(guidance_line(now, turns))
            if done:
                return Guided("reached", now, frames)
        return Guided("stopped", now, frames)

    # Pointing and solving ------------------------------------------------------------------------

    async def _go(self, pointing: AlignmentField, what: str) -> None:
        context = self.context
        ra_deg, dec_deg = pointing.icrs(context.observer, context.now_s)
        side = context.geometry.natural_side(pointing.ha_deg)
        breach = context.limits.breach(ra_deg, dec_deg, context.now_s, side)
        if breach is not None:
            raise DutyFailedError("mount", "limit", f"not slewed: {breach.message}")
        self.inform(
            f"{what}: slewing to altitude {pointing.alt_deg:.0f} deg, azimuth "
            f"{pointing.az_deg:.0f} deg"
        )
        asked = None if side == "unknown" else side
        await point(context, ra_deg % 360.0, dec_deg, asked, what)

    async def _solved(self) -> SolvedFrame:
        for longer in _LONGER:
            frame = await self._look(longer)
            if frame is not None:
                return frame
        raise DutyFailedError(
            "sky",
            "not_solved",
            f"no frame of up to {self.exposure_s * _LONGER[-1]:g} s was solved; check focus, "
            "cap, cloud, and the focal length in the rig file",
        )

    async def _look(self, longer: float) -> SolvedFrame | None:
        """Take a frame and return where its middle pointed, None if that is not known."""
        context = self.context
        self._see_tracking()
        exposure_s, setting = self.exposure_s * longer, context.setting()
        shot = await context.frame_taker.throwaway("solve", exposure_s, setting)
        state = context.mount_state()
        east, north = self._beside_deg or (0.0, 0.0)
        expected = (state.ra_deg + east) % 360.0, min(90.0, max(-90.0, state.dec_deg + north))
        for radius_deg in _RADII_DEG:
            found = await context.analysis.solve(shot.ref, shot.measures, *expected, radius_deg)
            if isinstance(found, Solution):
                self._beside_deg = (
                    (found.ra_deg - state.ra_deg + 180.0) % 360.0 - 180.0,
                    found.dec_deg - state.dec_deg,
                )
                middle_s = shot.ref.began_at.timestamp() + 0.5 * shot.ref.exposure_s
                return SolvedFrame(found.ra_deg, found.dec_deg, middle_s)
            if found.kind == "few_stars":
                break
        return None

    def _see_tracking(self) -> None:
        mount = self.context.mount_state()
        if not mount.tracking:
            why = mount.fault or "look at its power, its cables and its own limits"
            raise DutyFailedError(
                "mount", "not_tracking", f"the mount has stopped tracking by itself: {why}"
            )

    def _limit_in_s(self) -> float:
        context = self.context
        state, limits = context.mount_state(), context.limits
        return seconds_until_breach(
            limits.observer, limits.limits, state.ra_deg, state.dec_deg, context.now_s,
            state.pier_side, horizon_s=600.0,
        )  # fmt: skip


def guidance_line(error: AxisError, turns: tuple[KnobTurn, KnobTurn]) -> str:
    """Say what remains to be done at both knobs."""
    altitude, azimuth = turns
    return f"{error.total_arcmin:6.1f} arcmin off   {altitude.words()}   {azimuth.words()}"


def guidance_facts(
    error: AxisError, turns: tuple[KnobTurn, KnobTurn], *, done: bool
) -> dict[str, object]:
    """The same as facts of an event on the bus."""
    altitude, azimuth = turns
    return {
        "altitude_arcmin": error.altitude_arcmin,
        "azimuth_arcmin": error.azimuth_arcmin,
        "total_arcmin": error.total_arcmin,
        "altitude_towards": altitude.towards,
        "altitude_amount_arcmin": altitude.amount_arcmin,
        "azimuth_towards": azimuth.towards,
        "azimuth_amount_arcmin": azimuth.amount_arcmin,
        "done": done,
    }
