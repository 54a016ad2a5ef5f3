"""Shows how a night goes on while it does: a live panel on a terminal, else a line now and then."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

import structlog
from rich.console import Console
from rich.live import Live
from rich.table import Table

from midwatch.clock import WallClock, iso_utc
from midwatch.instants import in_zone
from midwatch.interface.console import hours_text, inform
from midwatch.journal.facts import (
    Activity,
    DecisionMade,
    FaultBegan,
    FrameBegun,
    NightBegan,
    NightEnded,
    OperatorSpoke,
)
from midwatch.journal.record import LABELS, NightRecord, lights_so_far
from midwatch.journal.store import Event
from midwatch.orders.reading import Night
from midwatch.sky import Observer

# Seconds of real time between two pictures: fewer cost a rehearsal more than it gains.
_PICTURE_S = 0.15
# Seconds of the night between two lines where there is no terminal.
_LINE_S = 1800.0
_BAR_CELLS = 30


@dataclass
class NightProgress:
    """How far a night has come, folded from its events."""

    night: Night
    title: str
    at_utc_s: float = 0.0
    dusk_utc_s: float = 0.0
    dawn_utc_s: float = 0.0
    target: str | None = None
    doing: str = "preparing"
    reason: str = ""
    faults: int = 0
    ended: bool = False
    begun_mono_s: float = field(default_factory=WallClock().mono)

    def __post_init__(self) -> None:
        self.zone = ZoneInfo(self.night.site.timezone)
        self._ordered = sum(f.count for t in self.night.orders.targets for f in t.frames)
        self._record = NightRecord()
        self._motions = {t.name: t.motion for t in self.night.targets}
        self._observer = Observer(self.night.place)

    def take(self, event: Event) -> None:
        """Take in one event."""
        self.at_utc_s = event.at_utc_s
        self._record.apply(event)
        match event.fact:
            case NightBegan() as began:
                self.dusk_utc_s, self.dawn_utc_s = began.dusk_utc_s, began.dawn_utc_s
            case Activity() as activity:
                self.doing = LABELS[activity.cause]
            case DecisionMade() as decision:
                self._decided(decision)
            case FrameBegun() as begun if begun.frame == "light":
                self.target = begun.target
                self.doing = f"exposing {begun.filter or 'light'} {begun.exposure_s:g} s"
            case FaultBegan():
                self.faults += 1
            case NightEnded():
                self.ended = True

    def _decided(self, decision: DecisionMade) -> None:
        self.reason = f"{decision.duty}: {decision.reason}"
        target = decision.args.get("target")
        if isinstance(target, str):
            self.target = target
        elif decision.duty in ("wait", "secure", "close", "finish", "calibrate"):
            self.target = None

    # In words ------------------------------------------------------------------------------

    def clock_text(self, form: str = "%H:%M") -> str:
        """The time at the site."""
        return datetime.fromtimestamp(self.at_utc_s, self.zone).strftime(form)

    def target_text(self) -> str:
        """The current target and how high it is."""
        if self.target not in self._motions:
            return "-"
        position = self._motions[self.target].position_at(self.at_utc_s)
        alt = float(self._observer.altaz(*position, self.at_utc_s).alt_deg)
        return f"{self.target}, {alt:.0f} deg up"

    def frames_text(self) -> str:
        """Frames by what became of them: those that count, of those that are wanted now."""
        counted, wanted = lights_so_far(self._record)
        lights = [f for f in self._record.frames.values() if f.is_light and f.graded is not None]
        grades = Counter(light.graded.grade for light in lights if light.graded)
        others = [f"{n} {word}" for word in ("rejected", "doubtful") if (n := grades[word])]
        text = f"{counted} of {wanted if self._record.planned else self._ordered} accepted"
        if self.faults:
            others.append(f"{self.faults} fault{'' if self.faults == 1 else 's'} so far")
        return ", ".join([text, *others])

    def elapsed_text(self) -> str:
        """Real time since the beginning."""
        return hours_text(WallClock().mono() - self.begun_mono_s)

    def dark_fraction(self) -> float:
        """How much of the time from dusk to dawn has passed, 0 to 1."""
        span_s = self.dawn_utc_s - self.dusk_utc_s
        if span_s <= 0:
            return 0.0
        return min(1.0, max(0.0, (self.at_utc_s - self.dusk_utc_s) / span_s))


@contextmanager
def shown(progress: NightProgress) -> Iterator[NightListener]:
    """Show a night on standard error while the block runs; hand its events to the listener."""
    if not sys.stderr.isatty():
        yield NightListener(progress, None)
        return
    # Drawn from within the events only: a thread of its own would disturb virtual time.
    live = Live(console=Console(stderr=True), auto_refresh=False, transient=True)
    with live:
        yield NightListener(progress, live)


class NightListener:
    """Receives the events of a night and shows them, not too often."""

    def __init__(self, progress: NightProgress, live: Live | None) -> None:
        self._progress = progress
        self._live = live
        self._clock = WallClock()
        self._next_mono_s = 0.0
        self._next_line_utc_s = 0.0

    def recall(self, events: Iterable[Event]) -> None:
        """Take in what happened before, of a night that is taken up again; nothing is shown."""
        for event in events:
            self._progress.take(event)

    def __call__(self, event: Event) -> None:
        """Take in an event."""
        progress = self._progress
        progress.take(event)
        _bind_to_logs(event)
        if self._live is None:
            if event.at_utc_s >= self._next_line_utc_s or _worth_a_line(event):
                self._next_line_utc_s = (event.at_utc_s // _LINE_S + 1.0) * _LINE_S
                inform(in_zone(_line(progress, event), progress.zone))
        elif self._clock.mono() >= self._next_mono_s or progress.ended:
            self._live.update(panel(progress), refresh=True)
            self._next_mono_s = self._clock.mono() + _PICTURE_S


def _bind_to_logs(event: Event) -> None:
    """Have whatever is logged from here on say to which night and duty it belongs."""
    if isinstance(event.fact, DecisionMade):
        structlog.contextvars.bind_contextvars(
            night=event.night,
            night_at=iso_utc(event.at_utc_s),
            duty=event.fact.duty,
            target=event.fact.args.get("target"),
        )


def _worth_a_line(event: Event) -> bool:
    return isinstance(event.fact, FaultBegan | OperatorSpoke | NightEnded)


def _line(progress: NightProgress, event: Event) -> str:
    head = f"{progress.clock_text()}  "
    fact = event.fact
    if isinstance(fact, FaultBegan):
        return f"{head}fault, {fact.device}: {fact.message}"
    if isinstance(fact, OperatorSpoke):
        what = " ".join(filter(None, (fact.command, fact.target)))
        return f"{head}by hand, {fact.who}: {what}{f' ({fact.why})' if fact.why else ''}"
    if isinstance(fact, NightEnded):
        return f"{head}the night ended: {fact.how}"
    doing = f"{progress.target_text():<24}  {progress.doing:<24}"
    return f"{head}{doing}  {progress.frames_text()}  ({progress.elapsed_text()})"


def panel(progress: NightProgress) -> Table:
    """Return the picture of a night for a terminal."""
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style="bold")
    grid.add_column()
    full = round(progress.dark_fraction() * _BAR_CELLS)
    bar = "━" * full + "─" * (_BAR_CELLS - full)
    rows = (
        ("", progress.title),
        (progress.clock_text("%H:%M:%S"), f"dusk {bar} dawn"),
        ("target", progress.target_text()),
        ("doing", progress.doing),
        ("frames", progress.frames_text()),
        ("because", in_zone(progress.reason, progress.zone)),
        ("elapsed", progress.elapsed_text()),
    )
    for name, text in rows:
        grid.add_row(name, text)
    return grid
