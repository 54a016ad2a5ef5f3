"""Time: the only place of the program that reads a clock or waits for one.

Durations are measured with `Clock.mono`, events of the sky with `Clock.now`. Three clocks give
the same kind of time: the wall clock of a real night, a scaled clock that runs faster by a
constant factor, and a virtual clock whose time moves only when every task waits. Two more wrap
another: a shifted one that is wrong on purpose, and a steady one that follows no jumps.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from datetime import UTC, datetime, timedelta
from typing import ClassVar, Protocol

from midwatch.virtual_time import VirtualLoop

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# A machine's clock that is set by no more than this is followed. Less would refuse the first
# correction by a time server; more would move the edges of exposures without a word.
FOLLOWED_S = 30.0
# Real seconds that a machine may be late by in scaled time without anything being wrong. Less
# calls a busy machine a fault of a device; more lets a device that is gone be missed later.
_LATE_S = 2.0


class Clock(Protocol):
    """What gives the time and waits."""

    @property
    def virtual(self) -> bool:
        """Whether time is simulated and jumps from one deadline to the next."""

    @property
    def speed(self) -> float:
        """How many times as fast as the machine's clock it goes; 1 where time is simulated."""

    def now(self) -> datetime:
        """Present instant, aware, UTC."""

    def unix_s(self) -> float:
        """Present instant in POSIX seconds (UTC without leap seconds)."""

    def mono(self) -> float:
        """Seconds from an arbitrary origin that never run backwards; for durations."""

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of this clock; not positive: let other tasks run once."""

    async def sleep_until(self, when: datetime, recheck_s: float = 30.0) -> None:
        """Wait until `now()` has reached `when`; return at once if it is past.

        The present is read again every `recheck_s` seconds of this clock, so that a stepped
        system clock costs at most that much.

        Raises:
            ValueError: `when` carries no time zone.
        """

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[asyncio.Timeout]:
        """Cancel the enclosed block after `seconds` of this clock and raise TimeoutError.

        None means no limit. `Timeout.when` and `Timeout.reschedule` count in loop time.
        """


def lateness_s(clock: Clock) -> float:
    """Return how late, in seconds of a clock, an answer may be because the machine is busy.

    Scaled time multiplies what the machine is late by; in real time the usual limits hold.
    """
    return max(0.0, clock.speed - 1.0) * _LATE_S


class _PosixClock:
    """Common part: derives the calendar from POSIX seconds."""

    virtual: ClassVar[bool] = False
    speed: float = 1.0

    def unix_s(self) -> float:
        raise NotImplementedError

    def now(self) -> datetime:
        return _EPOCH + timedelta(seconds=self.unix_s())

    async def sleep(self, seconds: float) -> None:
        raise NotImplementedError

    async def sleep_until(self, when: datetime, recheck_s: float = 30.0) -> None:
        _check_aware(when)
        while (left_s := (when - self.now()).total_seconds()) > 0.0:
            await self.sleep(min(left_s, recheck_s))


class WallClock(_PosixClock):
    """The clock of the machine."""

    def unix_s(self) -> float:
        """Present instant in POSIX seconds."""
        return time.time()

    def mono(self) -> float:
        """Seconds of the system's monotonic clock."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds`."""
        await asyncio.sleep(seconds)

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[asyncio.Timeout]:
        """Limit the enclosed block to `seconds`."""
        return asyncio.timeout(seconds)


class ScaledClock(_PosixClock):
    """A clock that starts at `start` and runs `speed` times as fast as the machine's.

    `anchor_unix_s` is the real POSIX time at which scaled time equals `start`; processes that
    are given the same three values agree on the time. It defaults to the moment of creation.

    Raises:
        ValueError: `start` carries no time zone, or `speed` is not a positive number.
    """

    def __init__(self, start: datetime, speed: float, anchor_unix_s: float | None = None) -> None:
        _check_aware(start)
        if not (math.isfinite(speed) and speed > 0.0):
            raise ValueError(f"speed must be a positive number, not {speed}")
        self.start = start
        self.speed = speed
        self.anchor_unix_s = time.time() if anchor_unix_s is None else anchor_unix_s
        self._start_unix_s = start.timestamp()

    def unix_s(self) -> float:
        """Present scaled instant in POSIX seconds."""
        return self._start_unix_s + (time.time() - self.anchor_unix_s) * self.speed

    def mono(self) -> float:
        """Monotonic seconds, scaled."""
        return time.monotonic() * self.speed

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of scaled time."""
        await asyncio.sleep(seconds / self.speed)

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[asyncio.Timeout]:
        """Limit the enclosed block to `seconds` of scaled time."""
        return asyncio.timeout(None if seconds is None else seconds / self.speed)


class VirtualClock:
    """Virtual time as a calendar: `start` is the instant at which the virtual loop began.

    It follows the `VirtualLoop` in which it is read. Read outside a loop it does not move: at
    `start` before the first loop, afterwards where the last loop in which it was read stopped.

    Raises:
        ValueError: `start` carries no time zone.
    """

    virtual: ClassVar[bool] = True
    speed: ClassVar[float] = 1.0

    def __init__(self, start: datetime) -> None:
        _check_aware(start)
        self.start = start.astimezone(UTC)
        self._start_unix_s = self.start.timestamp()
        self._loop: VirtualLoop | None = None

    def now(self) -> datetime:
        """Present virtual instant, aware, UTC, exact to the microsecond."""
        return self.start + timedelta(seconds=self.mono())

    def unix_s(self) -> float:
        """Present virtual instant in POSIX seconds."""
        return self._start_unix_s + self.mono()

    def mono(self) -> float:
        """Seconds since the virtual loop began.

        Raises:
            RuntimeError: read inside an event loop that is not virtual.
        """
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            return 0.0 if self._loop is None else self._loop.now_s
        if loop is not self._loop:
            if not isinstance(loop, VirtualLoop):
                raise RuntimeError("a virtual clock needs the loop of run_virtual")
            self._loop = loop
        return self._loop.now_s

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds` of virtual time."""
        await asyncio.sleep(seconds)

    async def sleep_until(self, when: datetime, recheck_s: float = 30.0) -> None:  # noqa: ARG002
        """Wait until `when`; virtual time is never stepped, so nothing is checked again."""
        _check_aware(when)
        while (left_s := (when - self.now()).total_seconds()) > 0.0:
            await self.sleep(left_s)

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[asyncio.Timeout]:
        """Limit the enclosed block to `seconds` of virtual time."""
        return asyncio.timeout(seconds)


class _Before:
    """Common part of clocks that wrap another: they wait as it does."""

    def __init__(self, base: Clock) -> None:
        self._base = base

    @property
    def virtual(self) -> bool:
        """Whether time is simulated."""
        return self._base.virtual

    @property
    def speed(self) -> float:
        """How many times as fast as the machine's clock it goes."""
        return self._base.speed

    def unix_s(self) -> float:
        raise NotImplementedError

    def now(self) -> datetime:
        """Present instant, aware, UTC."""
        return _EPOCH + timedelta(seconds=self.unix_s())

    def mono(self) -> float:
        """Seconds that never run backwards."""
        return self._base.mono()

    async def sleep(self, seconds: float) -> None:
        """Wait for `seconds`."""
        await self._base.sleep(seconds)

    async def sleep_until(self, when: datetime, recheck_s: float = 30.0) -> None:
        """Wait until `when`, looking again every `recheck_s` seconds."""
        _check_aware(when)
        while (left_s := (when - self.now()).total_seconds()) > 0.0:
            await self.sleep(min(left_s, recheck_s))

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[asyncio.Timeout]:
        """Limit the enclosed block to `seconds`."""
        return self._base.timeout(seconds)


class ShiftedClock(_Before):
    """A clock that can be set wrong while it runs.

    Attributes:
        shift_s: what it is ahead of the other.
    """

    shift_s: float = 0.0

    def unix_s(self) -> float:
        """Instant that it shows, POSIX seconds."""
        return self._base.unix_s() + self.shift_s


class SteadyClock(_Before):
    """The calendar of another clock, as long as that does not jump.

    Time is counted from the first look. Where the other clock differs by little it is followed,
    where it has jumped the count holds until a caller who knows better calls `adopt`.

    Args:
        base: the clock that may be set while a night runs.
        counted: seconds that go on while the machine sleeps; the machine's own count by default
            where the other clock is the wall clock, else its monotonic seconds.
    """

    def __init__(self, base: Clock, counted: Callable[[], float] | None = None) -> None:
        super().__init__(base)
        if counted is None:
            counted = _since_boot_s if isinstance(base, WallClock) else base.mono
        self._counted = counted
        self._offset_s = base.unix_s() - counted()

    @property
    def jump_s(self) -> float:
        """How far the other clock is ahead of the count; 0 while it is followed."""
        ahead_s = self._base.unix_s() - self._counted() - self._offset_s
        return ahead_s if abs(ahead_s) > FOLLOWED_S else 0.0

    def unix_s(self) -> float:
        """Present instant in POSIX seconds."""
        seen_s, counted_s = self._base.unix_s(), self._counted()
        if abs(seen_s - counted_s - self._offset_s) <= FOLLOWED_S:
            self._offset_s = seen_s - counted_s
        return counted_s + self._offset_s

    def adopt(self) -> None:
        """Believe the other clock from now on."""
        self._offset_s = self._base.unix_s() - self._counted()


def _since_boot_s() -> float:
    """Seconds since the machine was started, sleep included, where the system counts them."""
    count = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if count is None else time.clock_gettime(count)


def _check_aware(when: datetime) -> None:
    if when.tzinfo is None:
        raise ValueError("a time without zone is ambiguous: give an aware datetime")


def iso_utc(utc_s: float | None) -> str | None:
    """ISO 8601 in UTC to the second; None stays None."""
    if utc_s is None:
        return None
    return datetime.fromtimestamp(round(utc_s), UTC).isoformat().replace("+00:00", "Z")
