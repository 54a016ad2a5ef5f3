"""Ends a slew that brings the telescope to the wrong side of the pier, before a limit is passed.

Where a slew ends is judged before it begins, for the side that it was sent to. A mount that takes
the other side, by a rule of its own or by mistake, may end past a limit all the same. On its way it
reports where it is: side and hour angle give the angle of its polar axis, and that shows in time
where it is going. A mount without sides is not watched.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import structlog

from midwatch.bus import CommandError, ErrorKind
from midwatch.clock import Clock
from midwatch.devices.contract import Driver, Model, Stop
from midwatch.devices.contract.kinds import MountState, Slew
from midwatch.sky import Breach, LimitCheck
from midwatch.sky.mounts import AxisEnds, PierSide
from midwatch.tasks import start

__all__ = ["SlewWatch"]

# How hard an axis brakes. Too high: a mount that brakes gently runs over its limit; too low: only
# that a slew is looked at more often.
_BRAKES_DEG_S2 = 1.0
_MOST_BRAKING_DEG = 45.0
# Seconds between two looks near a limit, and the most between any two.
_LOOK_S, _LONGEST_LOOK_S = 0.1, 10.0
# What does not count as having moved outwards: play, and readings in steps.
_STILL_DEG = 0.02

_log = structlog.get_logger(__name__)

Job = Callable[[], Coroutine[Any, Any, Model | None]]


class SlewWatch:
    """Looks at a mount while it slews.

    Args:
        check: with the limits drawn in.
        rate_deg_s: how fast an axis turns, by what the driver says.
    """

    def __init__(
        self, clock: Clock, check: LimitCheck, driver: Driver, rate_deg_s: Callable[[], float]
    ) -> None:
        self._clock = clock
        self._check = check
        self._driver = driver
        self._geometry = check.limits.geometry
        self._rate_deg_s = rate_deg_s

    async def oversee(self, command: Slew, job: Job) -> Model | None:
        """Perform a slew by `job` and return its answer.

        Raises:
            CommandError: limit, worth another attempt: the mount went to the side on which the
                target is past a limit of its axes, and was stopped on its way.
            Exception: whatever the driver raised.
        """
        ends = self._geometry.axis_ends()
        if ends is None:
            return await job()
        slewing = start("slew", job())
        try:
            breach = await self._led_astray(command, ends, slewing)
        finally:
            if not slewing.done():
                slewing.cancel()
                await asyncio.wait([slewing])
        if breach is None:
            return await slewing
        await self._driver.perform(Stop())
        sent = f"sent to the {command.pier_side}" if command.pier_side else "sent to either side"
        _log.warning("slew_ended", limit=breach.kind, message=breach.message)
        raise CommandError(
            ErrorKind.LIMIT,
            f"the mount, {sent} of its pier, went where the target is outside its limits, and was "
            f"stopped on its way: {breach.message}",
            retryable=True,
        )

    async def _led_astray(
        self, command: Slew, ends: AxisEnds, slewing: asyncio.Task[Model | None]
    ) -> Breach | None:
        """Wait for the end of a slew, or return the limit that it is heading for."""
        # Further out than this the mount is on a side's last stretch, unless it began there.
        began_deg = self._polar_deg() or 0.0
        rate_deg_s = self._rate_deg_s()
        brakes_deg = rate_deg_s * (rate_deg_s / (2.0 * _BRAKES_DEG_S2) + _LOOK_S)
        brakes_deg = min(brakes_deg, _MOST_BRAKING_DEG)
        west_deg = max(ends.west_deg - brakes_deg, began_deg + _STILL_DEG)
        east_deg = min(ends.east_deg + brakes_deg, began_deg - _STILL_DEG)
        while not slewing.done():
            polar_deg = self._polar_deg()
            room_deg = rate_deg_s
            if polar_deg is not None:
                room_deg = min(west_deg - polar_deg, polar_deg - east_deg)
                breach = None if room_deg > 0.0 else self._breach(command, polar_deg > west_deg)
                if breach is not None:
                    return breach
            wait_s = min(max(room_deg / rate_deg_s / 2.0, _LOOK_S), _LONGEST_LOOK_S)
            try:
                async with self._clock.timeout(wait_s):
                    await asyncio.wait([slewing])
            except TimeoutError:
                pass
        return None

    def _breach(self, command: Slew, west: bool) -> Breach | None:
        """Return the limit of its axes that the mount would pass at its goal on a side."""
        side: PierSide = "west" if west else "east"
        now_s = self._clock.unix_s()
        breach = self._check.breach(command.ra_deg, command.dec_deg, now_s, side)
        return breach if breach is not None and breach.kind == self._geometry.limit_kind else None

    def _polar_deg(self) -> float | None:
        """Return the angle of the polar axis that the mount reports; None where it reports none."""
        state = self._driver.state()
        assert isinstance(state, MountState)
        ha_deg = self._hour_angle_deg(state)
        return self._geometry.axis_deg(ha_deg, state.dec_deg, state.pier_side)

    def _hour_angle_deg(self, state: MountState) -> float:
        if state.hour_angle_deg == state.alt_deg == state.az_deg == 0.0:
            now_s = self._clock.unix_s()
            return float(self._check.observer.hour_angle_deg(state.ra_deg, state.dec_deg, now_s))
        return state.hour_angle_deg
