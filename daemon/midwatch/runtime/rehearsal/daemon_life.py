"""One life of the daemon in a rehearsal, which may end at any instant.

A killed process writes nothing more and says nothing more. In one process a cancelled task would
still run its clean-up; so everything through which the daemon reaches the world asks whether it
is still alive, and what comes too late is refused.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, ParamSpec, TypeVar

from midwatch.bus import MemoryBroker, MemoryBus
from midwatch.clock import Clock
from midwatch.errors import StopError
from midwatch.imaging import InlineMeasurer
from midwatch.journal.facts import Fact
from midwatch.journal.store import Event, Journal
from midwatch.tasks import Tasks

P = ParamSpec("P")
T = TypeVar("T")

__all__ = ["DaemonDeadError", "Disk", "Life", "MortalJournal", "MortalMeasurer"]


class DaemonDeadError(StopError):
    """The daemon was killed; it cannot do this any more."""


@dataclass
class Disk:
    """The disk of a rehearsal, as far as frames are written to it.

    Attributes:
        state: whether it takes anything.
        delay_s: what each write takes longer.
    """

    state: Literal["sound", "full", "read_only"] = "sound"
    delay_s: float = 0.0

    def check(self) -> None:
        """Refuse a write as the system would.

        Raises:
            OSError: the disk is full, or can only be read.
        """
        if self.state == "full":
            raise OSError(errno.ENOSPC, "No space left on device")
        if self.state == "read_only":
            raise OSError(errno.EROFS, "Read-only file system")


class MortalJournal(Journal):
    """A journal that takes nothing from a dead daemon."""

    dead = False

    def append(self, fact: Fact) -> Event:
        """Store what happened; see `Journal.append`.

        Raises:
            DaemonDeadError: the daemon was killed.
        """
        if self.dead:
            raise DaemonDeadError("the daemon was killed")
        return super().append(fact)

    def close(self) -> None:
        """Commit and close; a second time is harmless."""
        if not self.dead:
            super().close()

    def die(self) -> None:
        """Close it: what was appended is safe, as on a real night, and nothing more comes."""
        self.close()
        self.dead = True


class MortalMeasurer(InlineMeasurer):
    """Measures and writes at once, as long as the daemon lives and the disk allows."""

    def __init__(self, clock: Clock, disk: Disk) -> None:
        self._clock = clock
        self._disk = disk
        self.dead = False

    async def run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Call the function here and now.

        Raises:
            DaemonDeadError: the daemon was killed.
            OSError: it writes, and the disk takes nothing.
        """
        if self.dead:
            raise DaemonDeadError("the daemon was killed")
        if any(isinstance(argument, Path) for argument in args):
            # Whatever is given a path writes to it.
            if self._disk.delay_s > 0.0:
                await self._clock.sleep(self._disk.delay_s)
            self._disk.check()
        return await super().run(function, *args, **kwargs)


class Life:
    """Everything through which one life of the daemon reaches the world.

    Args:
        unheard: from now on nothing minds the drivers or learns what becomes of them.
    """

    def __init__(
        self, broker: MemoryBroker, clock: Clock, disk: Disk, unheard: Callable[[], None]
    ) -> None:
        self.bus = MemoryBus(broker, "midwatch")
        self.measurer = MortalMeasurer(clock, disk)
        self.tasks = Tasks(clock)
        self._broker = broker
        self._unheard = unheard
        self._journal: MortalJournal | None = None

    def open_journal(self, path: Path, clock: Clock, durable: bool) -> Journal:
        """Open the journal of this life."""
        self._journal = MortalJournal.open(path, clock, durable=durable)
        return self._journal

    def kill(self) -> None:
        """End this life: from now on nothing that it does has any effect."""
        self._unheard()
        self.bus.drop()
        self._broker.leave(self.bus)
        self.measurer.dead = True
        if self._journal is not None:
            self._journal.die()
