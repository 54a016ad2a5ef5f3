"""midwatch run: a real night, or every night."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager
from datetime import date
from pathlib import Path

import structlog

from midwatch.bus.settings import BrokerSettings
from midwatch.clock import Clock, ScaledClock, WallClock
from midwatch.errors import InputError, MidwatchError
from midwatch.interface.conduct import NightOutcome, RunOptions, run
from midwatch.interface.console import tell
from midwatch.interface.epilogue import conclude
from midwatch.interface.failures import DONE, explained
from midwatch.interface.hail import order, visit, visitor
from midwatch.interface.loading import evening_of, load_orders
from midwatch.interface.progress import NightProgress, shown
from midwatch.interface.runfile import Running, announced, broker_of
from midwatch.interface.service import watched_service
from midwatch.interface.surroundings import Surroundings
from midwatch.orders import Night
from midwatch.planning import NoDarknessError, plan_night
from midwatch.sequencer.calendar import NightCalendar
from midwatch.sequencer.operator import DAEMON

_log = structlog.get_logger(__name__)
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


def execute(args: argparse.Namespace) -> int:
    """Run until the night, or the service, ends."""
    if args.start is None and args.speed != 1.0:
        raise InputError("--speed needs --start, the instant at which scaled time begins")
    if args.every_night and (args.start is not None or args.evening is not None):
        raise InputError("--every-night goes by the real calendar: leave --start and --evening out")
    night = load_orders(args.orders)
    if args.every_night and night.orders.evening is not None:
        raise InputError(
            f"{args.orders}: evening: stands for one night; leave it out for --every-night"
        )
    return asyncio.run(_serve(night, args))


async def _serve(night: Night, args: argparse.Namespace) -> int:
    async with AsyncExitStack() as stack:
        broker = broker_of(night.rig.bus, night.paths["rig"])
        if broker.embedded:
            # Not needed for a broker elsewhere, and it brings a compiled one along.
            from midwatch.bus.embedded import EmbeddedBroker

            embedded = await stack.enter_async_context(EmbeddedBroker())
            broker = embedded.settings
        anchored = ScaledClock(args.start, args.speed) if args.start is not None else None
        running = _running(night, broker, anchored, args)
        stack.enter_context(announced(args.out, running))
        await stack.enter_async_context(watched_service())
        task = asyncio.current_task()
        assert task is not None
        with _Ending(running, task).on_signals() as ending:
            if args.every_night:
                return await _every_night(night, broker, args, ending)
            clock = running.clock()
            evening = evening_of(night, args.evening, clock)
            return conclude(await _one_night(night, broker, args, evening), args)
    return DONE


def _running(
    night: Night, broker: BrokerSettings, clock: ScaledClock | None, args: argparse.Namespace
) -> Running:
    return Running(
        pid=os.getpid(),
        site=night.site.name,
        rig=night.rig.name,
        broker=broker,
        devices=tuple(night.rig.devices.present()),
        heartbeat_s=night.rig.bus.heartbeat_s,
        start=args.start,
        speed=args.speed,
        anchor_unix_s=None if clock is None else clock.anchor_unix_s,
    )


async def _one_night(
    night: Night, broker: BrokerSettings, args: argparse.Namespace, evening: date
) -> NightOutcome:
    plan_night(night, evening)
    folder: Path = args.out / evening.isoformat()
    Surroundings.of(night).write(folder)
    options = RunOptions(
        data_folder=args.out,
        evening=evening,
        seed=args.seed,
        speed=args.speed,
        start=args.start,
        bus=broker,
        spawn_devices=not args.no_devices,
        sky_mode=args.sky,
    )
    title = f"night of {evening}, {night.site.name}, {night.rig.name}"
    with shown(NightProgress(night, title)) as listener:
        return await run(night, options, listener)


# Ending ----------------------------------------------------------------------------------------


class _Ending:
    """Turns the first signal into an order to close, and the second into an end at once."""

    def __init__(self, running: Running, task: asyncio.Task[int]) -> None:
        self.asked = asyncio.Event()
        self._running = running
        self._task = task
        self._closing: asyncio.Task[None] | None = None

    @contextmanager
    def on_signals(self) -> Iterator[_Ending]:
        """Listen to signals while the block runs."""
        loop = asyncio.get_running_loop()
        for number in _SIGNALS:
            loop.add_signal_handler(number, self._take)
        try:
            yield self
        finally:
            for number in _SIGNALS:
                loop.remove_signal_handler(number)
            if self._closing is not None:
                self._closing.cancel()

    def _take(self) -> None:
        if self.asked.is_set():
            tell("ending at once; the devices make themselves safe when their lease runs out")
            self._task.cancel("ended at once by a second signal")
            return
        self.asked.set()
        tell("closing the night in good order; once more to end at once")
        self._closing = asyncio.create_task(self._close(), name="order to close")

    async def _close(self) -> None:
        running = self._running
        try:
            async with visit(running.broker, running.topics, running.clock()) as there:
                await order(
                    there, DAEMON, "close", {"who": visitor(), "why": "the process was told to end"}
                )
        except MidwatchError as error:
            # Between nights, or before the daemon is up, there is nothing to close.
            _log.info("nothing_to_close", reason=str(error))
            self._task.cancel("no night was running")


# Every night -----------------------------------------------------------------------------------


async def _every_night(
    night: Night, broker: BrokerSettings, args: argparse.Namespace, ending: _Ending
) -> int:
    """Run each night from its noon until told to end; a night that fails does not end the rest."""
    worst = DONE
    evenings: asyncio.Queue[date] = asyncio.Queue()
    clock: Clock = WallClock()
    calendar = NightCalendar(clock, night.place, night.site.timezone, on_arm=evenings.put_nowait)
    async with calendar:
        evenings.put_nowait(evening_of(night, None, clock))
        while not ending.asked.is_set():
            evening = await evenings.get()
            try:
                worst = max(worst, conclude(await _one_night(night, broker, args, evening), args))
            except NoDarknessError as error:
                tell(f"no night of {evening}: {error}")
            except MidwatchError as error:
                code, message = explained(error)
                worst = max(worst, code)
                _log.error("night_failed", evening=evening.isoformat(), reason=message)
                tell(f"the night of {evening} failed: {message}")
    return worst
