"""The calendar around nights: each is armed at its noon, day after day.

What happens within a night is none of its business: `decide` knows the night's hours
(decisions/0019). A general scheduler keeps the coming noon. It takes its time from our Clock, so
that a month of nights can be run in virtual time, and it is woken at least every half minute, so
that a system clock that was set forward is noticed that soon.
"""

from __future__ import annotations

import inspect
import types
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import ClassVar, Self

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.schedulers.base import BaseScheduler
from apscheduler.triggers.base import BaseTrigger

from midwatch.clock import Clock
from midwatch.errors import StopError
from midwatch.sky import Observer, Place, evening_at, night_events

_log = structlog.get_logger(__name__)

# A stepped clock costs at most this much; waking more often costs power for nothing.
WAKE_S = 30.0
# A clock that jumps by less is being corrected, not set; a noon may then come by as much early.
_STEP_S = 5.0
# After a noon the next one is searched this much later, so that rounding does not find the same
# one again.
_APART = timedelta(minutes=5)


class NoonTrigger(BaseTrigger):  # type: ignore[misc]
    """Fires at each local noon, from which nights are counted."""

    def __init__(self, observer: Observer, timezone: str) -> None:
        self._observer = observer
        self._timezone = timezone

    def get_next_fire_time(
        self, previous_fire_time: datetime | None, now: datetime
    ) -> datetime | None:
        """Return the first noon after the previous firing, or at or after now."""
        after = _search_from(previous_fire_time, now)
        evening = evening_at(self._observer, after.timestamp(), self._timezone)
        for days in range(3):
            day = evening + timedelta(days=days)
            noon_s = night_events(self._observer, day, self._timezone).noon_utc_s
            if noon_s >= after.timestamp():
                return datetime.fromtimestamp(noon_s, UTC)
        raise AssertionError("there is a noon in every day")


def _search_from(previous: datetime | None, now: datetime) -> datetime:
    return now if previous is None else max(previous + _APART, now - _APART)


class ClockScheduler(AsyncIOScheduler):  # type: ignore[misc]
    """The library's scheduler with its time taken from our Clock.

    The library reads `datetime.now` in a few functions. They are rebound, in each scheduler, with a
    stand-in for `datetime`; were one of them to read time otherwise in a later version, making a
    scheduler fails at once.

    Raises:
        StopError: the library is of a version that reads time elsewhere.
    """

    # Functions of the library that read time, and under which name each is bound here.
    _READS_TIME: ClassVar[dict[str, str]] = {
        "_process_jobs": "_process_by_clock",
        "_real_add_job": "_real_add_job",
        "resume_job": "resume_job",
    }
    # Functions that set the timer, and that use it by these names.
    _SETS_TIMER: ClassVar[dict[str, str]] = {
        "wakeup": "_start_timer", "_stop_timer": "_timeout", "_start_timer": "_eventloop",
    }  # fmt: skip

    def __init__(self, clock: Clock) -> None:
        super().__init__(timezone=UTC)
        self._clock = clock
        self._offset_s = clock.unix_s() - clock.mono()
        for name, uses in self._SETS_TIMER.items():
            setter = inspect.unwrap(getattr(AsyncIOScheduler, name))
            if uses not in setter.__code__.co_names:
                raise StopError(
                    f"this version of the scheduler library sets its timer otherwise than in {name}"
                    "; install the version that Midwatch names"
                )
        stand_in = _datetime_of(clock)
        for name, bound_as in self._READS_TIME.items():
            original = getattr(BaseScheduler, name)
            if "datetime" not in original.__code__.co_names:
                raise StopError(
                    f"this version of the scheduler library reads time elsewhere than in {name}; "
                    "install the version that Midwatch names"
                )
            names = {**original.__globals__, "datetime": stand_in}
            rebound = types.FunctionType(
                original.__code__, names, name, original.__defaults__, original.__closure__
            )
            rebound.__kwdefaults__ = original.__kwdefaults__
            setattr(self, bound_as, types.MethodType(rebound, self))

    def _process_jobs(self) -> float | None:
        self._mind_step_back()
        wait_s: float | None = self._process_by_clock()
        return wait_s

    def _mind_step_back(self) -> None:
        """Search the next noon again if the clock was set back: what is due may be days off.

        A step forward needs nothing: what became due is called at once.
        """
        offset_s = self._clock.unix_s() - self._clock.mono()
        step_s, self._offset_s = offset_s - self._offset_s, offset_s
        if step_s > -_STEP_S:
            return
        _log.warning("clock_set_back", step_s=round(step_s, 1))
        for job in self.get_jobs():
            due = job.trigger.get_next_fire_time(None, self._clock.now())
            self.modify_job(job.id, next_run_time=due)

    def _start_timer(self, wait_seconds: float | None) -> None:
        self._stop_timer()
        # The event loop counts machine time, also where the clock is scaled.
        speed = self._clock.speed
        wait_s = WAKE_S if wait_seconds is None else min(wait_seconds, WAKE_S)
        self._timeout = self._eventloop.call_later(max(wait_s, 0.0) / speed, self.wakeup)


def _datetime_of(clock: Clock) -> type[datetime]:
    class ClockDatetime(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return clock.now() if tz is None else clock.now().astimezone(tz)

    return ClockDatetime


class NightCalendar:
    """Calls back at each local noon, for as long as it is entered.

    A noon whose moment was missed, because the machine slept or its clock was set forward, is
    called late and once, however many were missed. `on_arm` gets the evening that begins at the
    noon, judged by the time of the call: after a long gap that is the present night.

    Args:
        clock: gives the time.
        place: of the site.
        timezone: of the site, IANA name.
        on_arm: called with the evening at each noon; must be quick.
    """

    def __init__(
        self, clock: Clock, place: Place, timezone: str, on_arm: Callable[[date], None]
    ) -> None:
        self._clock = clock
        self._observer = Observer(place)
        self._timezone = timezone
        self._on_arm = on_arm
        self._armed: date | None = None
        self._scheduler = ClockScheduler(clock)
        self._scheduler.add_job(
            self._arm,
            NoonTrigger(self._observer, timezone),
            misfire_grace_time=None,
            coalesce=True,
            max_instances=1,
        )

    async def __aenter__(self) -> Self:
        self._scheduler.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        self._scheduler.shutdown(wait=False)
        # The library ends at the loop's next turn.
        await self._clock.sleep(0.0)

    async def _arm(self) -> None:
        evening = evening_at(self._observer, self._clock.unix_s(), self._timezone)
        if evening == self._armed:
            # A clock set back brings the same noon again; the night is armed already.
            return
        self._armed = evening
        _log.info("night_armed", evening=evening.isoformat())
        try:
            self._on_arm(evening)
        except Exception:  # one night that cannot be armed must not end the calendar
            _log.exception("arming_failed", evening=evening.isoformat())
