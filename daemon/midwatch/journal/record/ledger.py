"""Where every second between dusk and dawn went."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from midwatch.journal.facts import (
    Activity,
    Cause,
    FrameBegun,
    FrameRead,
    NightBegan,
    NightEnded,
    OperatorSpoke,
)
from midwatch.journal.store import Event

__all__ = ["CAUSES", "ITSELF", "LABELS", "Ledger", "Span", "account"]

CAUSES: tuple[Cause, ...] = get_args(Cause)
# Shutters are reported by another clock, and the order to close one takes its time.
_LATE_S = 2
# Causes of a night that has ended.
_OVER: tuple[Cause, ...] = ("finished", "closed_by_hand")
# As whom the daemon itself gives orders.
ITSELF = "midwatch"

LABELS: dict[Cause, str] = {
    "open_shutter": "shutter open",
    "read_out": "reading out",
    "slewing": "slewing",
    "centring": "centring",
    "focusing": "focusing",
    "guiding": "starting guiding",
    "dithering": "dithering and settling",
    "flipping": "meridian flip",
    "changing_filter": "changing filter",
    "waiting_for_dark": "waiting for the dark",
    "waiting_for_target": "waiting for a target",
    "waiting_for_meridian": "waiting for the meridian",
    "no_target_left": "no target left",
    "preparing": "preparing",
    "opening": "opening",
    "closing": "closing",
    "calibrating": "calibration frames",
    "unsafe": "unsafe weather",
    "clouds": "clouds",
    "fault": "faults",
    "paused": "paused by hand",
    "standing_order": "standing orders",
    "deciding": "deciding",
    "daemon_down": "daemon not running",
    "not_started": "not started",
    "finished": "finished before dawn",
    "closed_by_hand": "closed by hand before dawn",
}


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one cause; whole POSIX seconds UTC, the end excluded."""

    start_utc_s: int
    end_utc_s: int
    cause: Cause
    detail: str | None

    @property
    def duration_s(self) -> int:
        """Its length."""
        return self.end_utc_s - self.start_utc_s


@dataclass(frozen=True, slots=True)
class Ledger:
    """The seconds between dusk and dawn, each under exactly one cause.

    Attributes:
        seconds: Whole seconds by cause, those that occurred, in the order of `CAUSES`; they add
            up to dawn minus dusk.
        spans: The same in the order of time, without gap or overlap.
    """

    dusk_utc_s: int
    dawn_utc_s: int
    seconds: dict[Cause, int]
    spans: tuple[Span, ...]

    def of(self, *causes: Cause) -> int:
        """Return the seconds that went to any of these causes."""
        return sum(self.seconds.get(cause, 0) for cause in causes)


def account(
    events: Iterable[Event], dusk_utc_s: float, dawn_utc_s: float, *, running: bool = False
) -> Ledger:
    """Account for every second from dusk to dawn.

    A cause holds from the whole second nearest to its event. Before the first event the night had
    not started; between its beginning and the first activity it was preparing. A beginning that is
    not the first means that the daemon had died: the time since the last event before counts as
    not running, as does the time after the last event of a night that did not end. An exposure
    under way ran on without the daemon; if its frame was read out, its seconds are of open shutter.
    So are those of an exposure that was given up, ran on because the camera could not be reached,
    and left its frame after all.

    Args:
        events: Of one night, in the order of the journal; a clock set back counts as stopped.
        dusk_utc_s: Whole seconds; a fraction is cut off.
        dawn_utc_s: The same; not after dusk gives an empty ledger.
        running: The last activity holds to the end, because the daemon is alive.
    """
    dusk, dawn = math.floor(dusk_utc_s), math.floor(dawn_utc_s)
    events = list(events)
    reads = [event.fact for event in events if isinstance(event.fact, FrameRead)]
    builder = _Builder(dusk, max(dusk, dawn), {read.exposure_id: read for read in reads})
    for event in events:
        builder.take(event)
    return builder.finish(running=running)


class _Builder:
    """Collects spans; time only moves forward, within dusk and dawn.

    Args:
        reads: by exposure, those that were read out.
    """

    def __init__(self, dusk: int, dawn: int, reads: dict[str, FrameRead]) -> None:
        self._dusk, self._dawn = dusk, dawn
        self._reads = reads
        self._in_hand = ""
        # What the daemon does while a shutter that it takes for closed is open.
        self._meanwhile: tuple[int, Cause, str | None] | None = None
        self._spans: list[Span] = []
        self._since = dusk
        self._last_event = dusk
        self._cause: Cause = "not_started"
        self._detail: str | None = None
        self._alive = False
        self._by_hand = False

    def take(self, event: Event) -> None:
        """Let an event change the cause that holds."""
        fact = event.fact
        at = max(self._last_event, min(self._dawn, round(event.at_utc_s)))
        self._shut(at)
        if isinstance(fact, OperatorSpoke):
            self._by_hand |= fact.command == "close" and fact.who != ITSELF
        elif isinstance(fact, NightBegan):
            if self._cause in _OVER:
                # What people ordered was for the night that has ended.
                self._by_hand = False
            # The daemon before this one fell silent after its last event.
            if self._alive and (down := self._down_from(at)) < at:
                self._switch(down, "daemon_down", None)
            self._turn_to(at, "preparing", None)
            self._alive = True
        elif isinstance(fact, FrameBegun):
            self._in_hand = fact.exposure_id
        elif isinstance(fact, Activity):
            if self._cause not in _OVER:
                self._turn_to(at, fact.cause, fact.detail)
                self._alive = True
        elif isinstance(fact, NightEnded):
            self._meanwhile = None
            self._switch(at, "closed_by_hand" if self._by_hand else "finished", None)
            self._alive = False
        self._last_event = at

    def _turn_to(self, at: int, cause: Cause, detail: str | None) -> None:
        if self._cause == "open_shutter":
            closed = min(self._dawn, self._closed(at))
            # The camera's clock may be another: what had not begun by then is not believed.
            if at + _LATE_S < closed and closed - at <= self._length_s():
                self._meanwhile = (closed, cause, detail)
                return
        self._switch(at, cause, detail)

    def _shut(self, at: int) -> None:
        """Note that the shutter of an exposure that was given up has closed meanwhile."""
        if self._meanwhile is not None and at >= self._meanwhile[0]:
            closed, cause, detail = self._meanwhile
            self._meanwhile = None
            self._switch(closed, cause, detail)

    def _down_from(self, restart: int) -> int:
        if self._cause != "open_shutter":
            return self._last_event
        self._meanwhile = None
        return max(self._last_event, min(self._closed(self._last_event), restart))

    def _closed(self, otherwise: int) -> int:
        """When the shutter of the exposure under way closed, if its frame was read out."""
        read = self._reads.get(self._in_hand)
        return otherwise if read is None else round(read.began_utc_s + read.exposure_s)

    def _length_s(self) -> float:
        read = self._reads.get(self._in_hand)
        return 0.0 if read is None else read.exposure_s

    def finish(self, *, running: bool) -> Ledger:
        """Close the last span."""
        self._shut(self._dawn)
        if self._alive and not running:
            self._switch(self._last_event, "daemon_down", None)
        self._switch(self._dawn, "finished", None)
        seconds = dict.fromkeys(CAUSES, 0)
        for span in self._spans:
            seconds[span.cause] += span.duration_s
        spent = {cause: total for cause, total in seconds.items() if total}
        return Ledger(self._dusk, self._dawn, spent, tuple(self._spans))

    def _switch(self, at: int, cause: Cause, detail: str | None) -> None:
        if at > self._since:
            last = self._spans[-1] if self._spans else None
            start = self._since
            if last is not None and (last.cause, last.detail) == (self._cause, self._detail):
                self._spans.pop()
                start = last.start_utc_s
            self._spans.append(Span(start, at, self._cause, self._detail))
            self._since = at
        self._cause, self._detail = cause, detail
