"""Keeps a mount inside its limits, in the driver host itself, whether the daemon lives or not.

The limits are drawn in by a margin. Between two looks a position may then wander by a third of
the margin (guiding, dithering), and a stop may take its time, before the real limit is reached.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

import structlog

from midwatch.clock import Clock
from midwatch.devices.contract import (
    Command,
    Driver,
    MakeSafe,
    Model,
    PierSide,
    Stop,
    right_ascensions_deg,
)
from midwatch.devices.contract.kinds import MountState, Pulse, Slew, Track
from midwatch.devices.host.slew_watch import Job, SlewWatch
from midwatch.sky import (
    SIDEREAL_DEG_PER_S,
    Breach,
    LimitCheck,
    MountLimits,
    Observer,
    seconds_until_breach,
    separation_deg,
    slew_path_clear_of_sun,
)

# The sky turns by this much in 7 s: stops that take longer need a wider margin; a wider margin
# costs dark time at every limit.
MARGIN_DEG = 0.03
WANDER_DEG = MARGIN_DEG / 3

# The same in time, for limits that cannot be drawn in: a meridian limit of zero.
MARGIN_S = 3.0

# Longest time between two looks at a tracking mount, and the life of a computed deadline.
LOOK_S = 60.0
PLAN_S = 3600.0

# A plan ends so much early: a wait below the resolution of a clock would not end any later.
LEAST_S = 0.001

# Pause after a look that failed, or that found the mount still tracking.
RETRY_S = 1.0

# Used for the length of a slew when the driver does not report its rate.
SLEW_RATE_DEG_S = 1.0
SETTLE_S = 10.0

# Altitude of the Sun's centre from which passing near it can do harm: its limb is then up by
# refraction. In twilight only where a slew ends is judged; judging the way as well would forbid
# most slews from the park position at dusk.
SUN_UP_DEG = -0.9

_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class _Plan:
    """Until when a mount may track from where it was looked at."""

    ra_deg: float
    dec_deg: float
    pier_side: PierSide
    made_mono_s: float
    ends_mono_s: float

    def fits(self, state: MountState) -> bool:
        """Whether the mount still is about there."""
        across_deg = abs((state.ra_deg - self.ra_deg + 180.0) % 360.0 - 180.0)
        return (
            state.pier_side == self.pier_side
            and across_deg <= WANDER_DEG
            and abs(state.dec_deg - self.dec_deg) <= WANDER_DEG
        )


class LimitGuard:
    """Refuses commands that would end outside the limits, and stops a mount before it is there.

    Args:
        act: perform a command on the driver at once, past lease and limits.
        publish: publish the facts of a stop.
    """

    def __init__(
        self,
        clock: Clock,
        observer: Observer,
        limits: MountLimits,
        driver: Driver,
        act: Callable[[Command[Any]], Awaitable[object]],
        publish: Callable[[Breach, bool], None],
    ) -> None:
        self._clock = clock
        self._observer = observer
        self._limits = limits.drawn_in(MARGIN_DEG)
        self._check = LimitCheck(observer, self._limits)
        self._driver = driver
        self._act = act
        self._publish = publish
        self._slews = SlewWatch(clock, self._check, driver, self._rate_deg_s)
        self._plan: _Plan | None = None
        self._woken = asyncio.Event()

    def refusal(self, command: Command[Any]) -> str | None:
        """Why a command must not be begun, with values and units; None if it may be.

        Unparking moves nothing and is not refused; the motion that follows is judged.
        """
        if isinstance(command, Slew):
            return self._slew_refusal(command)
        if isinstance(command, Track) and command.on:
            return _text(self._standing_breach(self._state()))
        if isinstance(command, Pulse):
            return self._pulse_refusal(command)
        return None

    async def oversee(self, command: Slew, job: Job) -> Model | None:
        """Perform a slew by `job`, and stop it if it goes to a side that is past its limit."""
        return await self._slews.oversee(command, job)

    def noticed(self) -> None:
        """The driver's state has changed: look again if it tracks from somewhere else."""
        state = self._state()
        if _at_risk(state) and (self._plan is None or not self._plan.fits(state)):
            self._woken.set()

    async def run(self) -> None:
        """Look at the mount until cancelled."""
        while True:
            try:
                wait_s = await self._look()
            except Exception:  # a driver that fails to answer must not end the watch over it
                _log.exception("limit_look_failed")
                wait_s = RETRY_S
            try:
                async with self._clock.timeout(wait_s):
                    await self._woken.wait()
            except TimeoutError:
                pass
            self._woken.clear()

    async def _look(self) -> float:
        """Stop the mount if it is time to; return the seconds until the next look."""
        state = self._state()
        if not _at_risk(state):
            self._plan = None
            return LOOK_S
        now_s = self._clock.mono()
        plan = self._plan
        if plan is None or not plan.fits(state) or now_s - plan.made_mono_s > PLAN_S:
            plan = self._plan = self._planned(state, now_s)
        breach = self._standing_breach(state)
        left_s = plan.ends_mono_s - now_s
        if breach is None and left_s <= LEAST_S:
            # The plan ends shortly before a limit: what comes next is the reason.
            breach = self._standing_breach(state, MARGIN_S + 2.0)
            if breach is None:
                self._plan = None
                return RETRY_S
        if breach is not None:
            await self._hold(breach)
            return RETRY_S
        return min(LOOK_S, left_s)

    def _planned(self, state: MountState, now_s: float) -> _Plan:
        utc_s = self._clock.unix_s()
        left_s = min(
            seconds_until_breach(
                self._observer,
                self._limits,
                ra_deg,
                state.dec_deg,
                utc_s,
                state.pier_side,
                horizon_s=PLAN_S + 2 * LOOK_S,
            )
            for ra_deg in right_ascensions_deg(self._observer, state, utc_s)
        )
        ends_s = now_s + left_s - MARGIN_S
        return _Plan(state.ra_deg, state.dec_deg, state.pier_side, now_s, ends_s)

    async def _hold(self, breach: Breach) -> None:
        """Stop tracking, by ever stronger means, and report it."""
        self._plan = None
        for command in (Track(on=False), Stop(), MakeSafe(reason=breach.message)):
            try:
                await self._act(command)
            except Exception as error:  # whatever fails, the next means must be tried
                _log.error("limit_stop_failed", command=command.command, error=str(error))
            if not self._state().tracking:
                break
        self._publish(breach, not self._state().tracking)

    def _slew_refusal(self, command: Slew) -> str | None:
        state = self._state()
        there = (command.ra_deg, command.dec_deg)
        for after_s in (0.0, self._slew_s(state, command)):
            breach = self._breach(*there, command.pier_side, after_s)
            if breach is not None:
                return f"the mount would arrive outside its limits: {breach.message}"
        if not slew_path_clear_of_sun(
            self._observer,
            (state.ra_deg, state.dec_deg),
            there,
            self._clock.unix_s(),
            self._limits.sun_min_sep_deg,
            max(self._limits.sun_alt_limit_deg, SUN_UP_DEG),
        ):
            return (
                f"the way there comes nearer to the Sun than {self._limits.sun_min_sep_deg:.1f} deg"
            )
        return None

    def _slew_s(self, state: MountState, command: Slew) -> float:
        way_deg = separation_deg(state.ra_deg, state.dec_deg, command.ra_deg, command.dec_deg)
        return float(way_deg) / self._rate_deg_s() + SETTLE_S

    def _rate_deg_s(self) -> float:
        rate = self._driver.about().limits.get("slew_rate_deg_s")
        return float(rate) if isinstance(rate, int | float) and rate > 0 else SLEW_RATE_DEG_S

    def _pulse_refusal(self, command: Pulse) -> str | None:
        state = self._state()
        # No guide rate is faster than the sky.
        way_deg = SIDEREAL_DEG_PER_S * command.duration_ms / 1000.0
        ra_deg, dec_deg = state.ra_deg, state.dec_deg
        if command.direction in ("north", "south"):
            dec_deg += way_deg if command.direction == "north" else -way_deg
        else:
            across_deg = way_deg / max(math.cos(math.radians(dec_deg)), 0.01)
            ra_deg += across_deg if command.direction == "east" else -across_deg
        return _text(self._breach(ra_deg, max(-90.0, min(90.0, dec_deg)), state.pier_side))

    def _standing_breach(self, state: MountState, after_s: float = 0.0) -> Breach | None:
        """Return the limit that the mount oversteps where it points, or may really point."""
        for ra_deg in right_ascensions_deg(self._observer, state, self._clock.unix_s()):
            breach = self._breach(ra_deg, state.dec_deg, state.pier_side, after_s)
            if breach is not None:
                return breach
        return None

    def _breach(
        self, ra_deg: float, dec_deg: float, side: PierSide | None, after_s: float = 0.0
    ) -> Breach | None:
        utc_s = self._clock.unix_s() + after_s
        return self._check.breach(ra_deg, dec_deg, utc_s, side or "unknown")

    def _state(self) -> MountState:
        state = self._driver.state()
        assert isinstance(state, MountState)
        return state


def _at_risk(state: MountState) -> bool:
    # A slew was judged by its end before it began, and is overseen on its way.
    return state.tracking and not state.slewing


def _text(breach: Breach | None) -> str | None:
    return None if breach is None else f"the mount would be outside its limits: {breach.message}"
