"""Tries remedies alongside the work: for devices without which the night goes on.

One attempt at a time for each device. Remedies for what the work cannot go on without are chosen
by `decide`, like any other duty.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

import structlog

from midwatch.errors import MidwatchError
from midwatch.sequencer.decision import FaultView, NamedArgs, ReconnectArgs
from midwatch.sequencer.duties import DutyContext, Registry
from midwatch.sequencer.watches.fault_desk import FaultDesk, said
from midwatch.tasks import end, start

__all__ = ["Remedying"]

_log = structlog.get_logger(__name__)


class Remedying:
    """Owns the attempts that run in the background.

    Args:
        context: what remedies may use.
        registry: where the duties are.
        desk: where attempts are journaled.
        reconsider: called when an attempt has ended.
    """

    def __init__(
        self,
        context: DutyContext,
        registry: Registry,
        desk: FaultDesk,
        reconsider: Callable[[], None],
    ) -> None:
        self._context = context
        self._registry = registry
        self._desk = desk
        self._reconsider = reconsider
        self._waiting: tuple[FaultView, ...] = ()
        self._changed = asyncio.Event()
        self._attempts: dict[str, asyncio.Task[None]] = {}
        # What an attempt has died of, over its remedy: its outcome is not in the journal.
        self._broken: Exception | None = None

    @property
    def busy(self) -> tuple[str, ...]:
        """Devices that are being worked at."""
        return tuple(self._attempts)

    def offer(self, faults: tuple[FaultView, ...], *, working: bool) -> None:
        """Take in the faults that are open now.

        Args:
            faults: all that are open.
            working: a duty is under way, so that links are opened again next to it that `decide`
                would see to otherwise.
        """
        waiting = tuple(
            fault
            for fault in faults
            if fault.background or (working and isinstance(fault.remedy, ReconnectArgs))
        )
        if waiting != self._waiting:
            self._waiting = waiting
            self._changed.set()

    async def run(self) -> None:
        """Try what is due, until cancelled; attempts under way are cancelled too.

        Raises:
            Exception: what came of an attempt could not be journaled.
        """
        clock = self._context.clock
        try:
            while True:
                left_s = self._start_due()
                try:
                    async with clock.timeout(left_s):
                        await self._changed.wait()
                except TimeoutError:
                    continue
                self._changed.clear()
                if self._broken is not None:
                    broken, self._broken = self._broken, None
                    raise broken
        finally:
            await end(*self._attempts.values(), reason="remedies are tried no more")

    def _start_due(self) -> float | None:
        """Begin what is due; returns the seconds until something else is, None for never."""
        now_s, next_s = self._context.now_s, math.inf
        for fault in self._waiting:
            if fault.device in self._attempts or fault.remedy is None:
                continue
            if fault.again_at_s > now_s:
                next_s = min(next_s, fault.again_at_s)
                continue
            name = f"{fault.remedy.duty} of {fault.device}"
            self._attempts[fault.device] = start(name, self._attempt(fault, fault.remedy))
        return None if next_s == math.inf else next_s - now_s

    async def _attempt(self, fault: FaultView, remedy: NamedArgs) -> None:
        _log.debug("remedy_begins", device=fault.device, remedy=remedy.duty)
        try:
            await self._try(fault, remedy)
        except Exception as error:
            self._broken = error
            self._changed.set()
        finally:
            del self._attempts[fault.device]
            self._reconsider()

    async def _try(self, fault: FaultView, remedy: NamedArgs) -> None:
        name = remedy.duty
        try:
            await self._registry.duty_for(name, remedy).perform(self._context, remedy)
        except (MidwatchError, TimeoutError) as error:
            self._desk.tried(fault.fault_id, name, "failed", said(error))
        except Exception as error:
            _log.exception("remedy_crashed", device=fault.device, remedy=name)
            self._desk.tried(fault.fault_id, name, "failed", said(error))
        else:
            self._desk.tried(fault.fault_id, name, "done")
