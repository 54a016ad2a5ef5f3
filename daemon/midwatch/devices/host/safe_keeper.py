"""Keeps a device safe while nobody is in command."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

import structlog

from midwatch.clock import Clock
from midwatch.devices.client import LeaseWatch
from midwatch.devices.contract import Driver, HostBook, MakeSafe
from midwatch.devices.host.publisher import Publisher

# Pause before a device that is not at rest yet is made safe again: after a failure (a roof waits
# for the mount), and when it is under way (a camera warms slowly).
RETRY_S = 5.0
UNDER_WAY_S = 60.0

_log = structlog.get_logger(__name__)


class SafeKeeper:
    """Makes a device safe when no lease is received any more, until it is at rest.

    Args:
        clock: gives the time.
        name: of the device.
        driver: of the device.
        lease: as its host hears it.
        book: the host's account.
        publisher: through which events are reported.
        act: does a command of the host's own, past lease and limits.
    """

    def __init__(
        self,
        clock: Clock,
        name: str,
        driver: Driver,
        lease: LeaseWatch,
        book: HostBook,
        publisher: Publisher,
        act: Callable[[MakeSafe], Awaitable[None]],
    ) -> None:
        self._clock = clock
        self._name = name
        self._driver = driver
        self._lease = lease
        self._book = book
        self._publisher = publisher
        self._act = act

    async def run(self) -> None:
        """Make the device safe while nobody is in command and it is not at rest; for ever."""
        reported: str | None = None
        while True:
            left_s = self._lease.silent_in_s()
            if left_s > 0:
                reported = None
                await self._clock.sleep(left_s)
            elif self._at_rest():
                self._book.silent(at_rest=True)
                await self._clock.sleep(UNDER_WAY_S)
            else:
                self._book.silent(at_rest=False)
                reason = f"no lease was received for {self._lease.lease_s:g} s"
                reported, pause_s = await self._make_safe(reason, reported)
                if self._lease.silent_in_s() <= 0:
                    self._book.silent(at_rest=self._at_rest())
                await self._clock.sleep(pause_s)

    async def rest(self) -> None:
        """Make the device safe, until it is at rest: its process was asked to end."""
        reported: str | None = None
        while not self._at_rest():
            reported, pause_s = await self._make_safe("its process was asked to end", reported)
            if not self._at_rest():
                await self._clock.sleep(pause_s)
        await self._publisher.flush(changed=True)  # the last state, for later readers

    async def _make_safe(self, reason: str, reported: str | None) -> tuple[str, float]:
        """Try once; return what was reported of it, and when to look again."""
        try:
            await self._act(MakeSafe(reason=reason))
        except Exception as error:  # whatever it is, it has to be tried again
            if str(error) != reported:
                _log.error("make_safe_failed", device=self._name, reason=reason, error=str(error))
                self._publisher.emit("make_safe_failed", {"reason": reason, "error": str(error)})
            return str(error), RETRY_S
        if reported != reason:
            at_rest = self._at_rest()
            _log.warning("made_safe", device=self._name, reason=reason, at_rest=at_rest)
            self._publisher.emit("made_safe", {"reason": reason, "at_rest": at_rest})
        return reason, UNDER_WAY_S

    def _at_rest(self) -> bool:
        try:
            return self._driver.state().at_rest
        except Exception:  # what is not known is not at rest
            _log.exception("driver_state_failed", device=self._name)
            return False
