"""midwatch run: a real night, or every night."""

from __future__ import annotations

import argparse
import asyncio
import shlex
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import structlog

from midwatch.bus import BrokerSettings
from midwatch.clock import Clock, ScaledClock, WallClock, iso_utc
from midwatch.errors import InputError, MidwatchError
from midwatch.exit_codes import DONE, INTERRUPTED, explained
from midwatch.interface.console import hours_text, inform
from midwatch.interface.progress import NightProgress, conclude, shown
from midwatch.journal.facts import NightEnded
from midwatch.journal.store import read_events
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, NoDarknessError, plan_night
from midwatch.runtime.files import (
    Running,
    announced,
    broker_of,
    evening_of,
    load_orders,
    require_plugins,
    run_faults,
    using_rig,
)
from midwatch.runtime.folder import JOURNAL_NAME, Surroundings
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.real import RunOptions, run
from midwatch.runtime.service import ending_on_signal, watched_service
from midwatch.runtime.visit import order, visit, visitor
from midwatch.sequencer.night import DAEMON, NightCalendar
from midwatch.tasks import Tasks, start

if TYPE_CHECKING:
    from midwatch.interface.page import OperatorPage

_log = structlog.get_logger(__name__)
_FAR_AHEAD_S = 36 * 3600.0


def execute(args: argparse.Namespace) -> int:
    """Run until the night, or the service, ends."""
    if args.start is None and args.speed != 1.0:
        raise InputError("--speed needs --start, the instant at which scaled time begins")
    if args.every_night and (args.start is not None or args.evening is not None):
        raise InputError("--every-night goes by the real calendar: leave --start and --evening out")
    if args.anchor is not None and args.start is None:
        raise InputError("--anchor needs --start, the instant that it belongs to")
    night = load_orders(args.orders)
    if args.every_night and night.orders.evening is not None:
        raise InputError(
            f"{args.orders}: evening: is for one night only; leave it out for --every-night"
        )
    require_plugins(night, drivers_too=not args.no_devices)
    return asyncio.run(_serve(night, args))


async def _serve(night: Night, args: argparse.Namespace) -> int:
    async with AsyncExitStack() as stack:
        broker = broker_of(night.rig.bus, night.paths["rig"])
        if broker.embedded:
            # Not needed for a broker elsewhere, and it brings a compiled one along.
            from midwatch.bus.mqtt import EmbeddedBroker

            embedded = await stack.enter_async_context(EmbeddedBroker())
            broker = embedded.settings
        anchored = None
        if args.start is not None:
            args.start = _start_of(night, args)
            anchored = ScaledClock(args.start, args.speed, args.anchor)
        running = Running.of(night, broker, anchored, _again(args))
        stack.enter_context(announced(args.out, running))
        stack.enter_context(using_rig(night.paths["rig"], args.out))
        tasks = Tasks(running.clock())
        page = _page(night, args, tasks)
        if page is not None:
            await stack.enter_async_context(page.served(running))
        nights = _Nights(night, broker, args, page, tasks)
        await stack.enter_async_context(watched_service(tasks))
        task = asyncio.current_task()
        assert task is not None
        ending = _Ending(running, task)
        with ending.on_signals():
            if args.every_night:
                return await _every_night(nights, ending)
            clock = running.clock()
            evening = evening_of(night, args.evening, clock)
            return conclude(await _one_night(nights, evening, clock), args)
    return ending.code


def _again(args: argparse.Namespace) -> str:
    """Return the command that takes this night up again."""
    words = ["midwatch", "run", str(args.orders), "--out", str(args.out)]
    if args.evening is not None:
        words += ["--evening", args.evening.isoformat()]
    if args.seed is not None:
        words += ["--seed", str(args.seed)]
    if args.sky is not None:
        words += ["--sky", args.sky]
    if args.start is not None:
        words += ["--start", iso_utc(args.start.timestamp()) or "", "--speed", f"{args.speed:g}"]
    if args.no_devices:
        words.append("--no-devices")
    if args.every_night:
        words.append("--every-night")
    return shlex.join(words)


def _start_of(night: Night, args: argparse.Namespace) -> datetime:
    """Return when scaled time begins: as ordered, or where the journal of an unfinished night ends.

    Time that went back would find devices, and the journal, in what is to come. An anchor says that
    time has gone on meanwhile.
    """
    start: datetime = args.start
    path: Path = args.out / JOURNAL_NAME
    if args.anchor is not None or not path.is_file():
        return start
    evening = evening_of(night, args.evening, ScaledClock(start, args.speed))
    events = read_events(path, evening.isoformat(), 0)
    if not events or isinstance(events[-1].fact, NightEnded):
        return start
    last = datetime.fromtimestamp(events[-1].at_utc_s, UTC)
    if last <= start:
        return start
    shown = f"{last.astimezone(ZoneInfo(night.site.timezone)):%H:%M:%S}"
    inform(f"the night is taken up at {shown}, where its journal ends, not at --start")
    return last


@dataclass(frozen=True)
class _Nights:
    """What all nights of a run have in common."""

    night: Night
    broker: BrokerSettings
    args: argparse.Namespace
    page: OperatorPage | None
    tasks: Tasks


def _page(night: Night, args: argparse.Namespace, tasks: Tasks) -> OperatorPage | None:
    """Return the operator's page, if the rig file or the command line asks for it."""
    if night.rig.page is None and args.page is None:
        return None
    # Whoever wants no page waits for no web server to be imported.
    from midwatch.interface.page import OperatorPage, page_settings

    settings = page_settings(night.rig.page, args.page, night.paths["rig"], args.out)
    return OperatorPage(settings, night, args.out, tasks)


async def _one_night(nights: _Nights, evening: date, clock: Clock) -> NightOutcome:
    night, args, page = nights.night, nights.args, nights.page
    plan = plan_night(night, evening)
    if page is not None:
        page.turn_to(plan)
    _look_ahead(plan, clock)
    folder: Path = args.out / evening.isoformat()
    faults = run_faults(night, evening, args)
    Surroundings.of(night, args.speed).write(folder)
    anchor = clock.anchor_unix_s if isinstance(clock, ScaledClock) else None
    options = RunOptions(
        data_folder=args.out,
        evening=evening,
        seed=args.seed,
        speed=args.speed,
        start=args.start,
        bus=nights.broker,
        spawn_devices=not args.no_devices,
        sky_mode=args.sky,
        anchor_unix_s=anchor,
        faults=faults,
        turned_away=None if page is None else page.turned_away,
        tasks=nights.tasks,
    )
    title = f"night of {evening}, {night.site.name}, {night.rig.name}"
    with shown(NightProgress(night, title)) as listener:
        return await run(night, options, listener)


class NightOverError(InputError):
    """The night that is asked for lies in the past."""


def _look_ahead(plan: NightPlan, clock: Clock) -> None:
    """Refuse a night that is over, and say it if one is not tonight's."""
    now_s = clock.unix_s()
    if plan.dawn_s <= now_s:
        raise NightOverError(
            f"the night of {plan.evening} is over since {hours_text(now_s - plan.dawn_s)}; give "
            "another --evening, or rehearse it"
        )
    ahead_s = plan.prepare_from_s - now_s
    if ahead_s > _FAR_AHEAD_S:
        inform(
            f"the night of {plan.evening} begins in {ahead_s / 86400.0:.0f} days: waiting for it"
        )


# Ending ----------------------------------------------------------------------------------------


class _Ending:
    """Turns the first signal into an order to close, and the second into an end at once.

    Attributes:
        asked: set by the first signal.
        code: to return if the task was cancelled.
    """

    def __init__(self, running: Running, task: asyncio.Task[int]) -> None:
        self.asked = asyncio.Event()
        self.code = DONE
        self._running = running
        self._task = task
        self._closing: asyncio.Task[None] | None = None

    @contextmanager
    def on_signals(self) -> Iterator[None]:
        """Listen to signals while the block runs; a cancellation that they caused ends here."""
        try:
            with ending_on_signal(self._take):
                yield
        except asyncio.CancelledError:
            if not self.asked.is_set():
                raise
            self._task.uncancel()
        finally:
            if self._closing is not None:
                self._closing.cancel()

    def _take(self) -> None:
        if self.asked.is_set():
            inform("ending at once; the devices make themselves safe when their lease runs out")
            self.code = INTERRUPTED
            self._task.cancel("ended at once by a second signal")
            return
        self.asked.set()
        inform("closing the night in good order; once more to end at once")
        self._closing = start("order to close", self._close())

    async def _close(self) -> None:
        running = self._running
        try:
            async with visit(running.broker, running.topics, running.clock()) as there:
                await order(
                    there, DAEMON, "close", {"who": visitor(), "why": "the process was stopped"}
                )
        except MidwatchError as error:
            # Between nights, or before the daemon is up, there is nothing to close.
            _log.info("nothing_to_close", reason=str(error))
            self._task.cancel("no night was running")


# Every night -----------------------------------------------------------------------------------


async def _every_night(nights: _Nights, ending: _Ending) -> int:
    """Run each night from its noon until asked to end; a night that fails does not end the rest."""
    night, worst = nights.night, DONE
    evenings: asyncio.Queue[date] = asyncio.Queue()
    clock: Clock = WallClock()
    calendar = NightCalendar(clock, night.place, night.site.timezone, on_arm=evenings.put_nowait)
    async with calendar:
        evenings.put_nowait(evening_of(night, None, clock))
        while (evening := await _next_evening(evenings, ending.asked)) is not None:
            try:
                outcome = await _one_night(nights, evening, clock)
                worst = max(worst, conclude(outcome, nights.args))
            except (NoDarknessError, NightOverError) as error:
                inform(str(error), "waiting for the next noon")
            except MidwatchError as error:
                code, message = explained(error)
                worst = max(worst, code)
                _log.error("night_failed", evening=evening.isoformat(), reason=message)
                inform(f"the night of {evening} failed: {message}")
    return worst


async def _next_evening(evenings: asyncio.Queue[date], asked: asyncio.Event) -> date | None:
    """Wait for the next evening; None if the service is asked to end."""
    evening = start("next evening", evenings.get())
    end = start("asked to end", asked.wait())
    try:
        await asyncio.wait({evening, end}, return_when=asyncio.FIRST_COMPLETED)
        return None if asked.is_set() else evening.result()
    finally:
        evening.cancel()
        end.cancel()
