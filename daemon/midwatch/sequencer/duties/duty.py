"""What a duty is: one thing that the sequencer does."""

from __future__ import annotations

from typing import ClassVar, Protocol, TypeVar

from midwatch.journal.facts import Cause
from midwatch.sequencer.decision import DutyArgs
from midwatch.sequencer.duties.context import DutyContext

__all__ = ["Duty"]

A = TypeVar("A", bound=DutyArgs, contravariant=True)


class Duty(Protocol[A]):
    """One thing that the sequencer does.

    A duty may be begun at any time, and again after it was cancelled, after it has failed, and
    after the daemon has died in the middle of it: what is decided comes from the journal and the
    devices, not from how far a duty had come. So it looks at what is, and does what is left.

    Attributes:
        name: by which orders and decisions call it.
        cause: under which its time is accounted, unless it says otherwise while it runs.
        takes: the model of its arguments; that of ``perform`` too.
    """

    name: ClassVar[str]
    cause: ClassVar[Cause]
    takes: ClassVar[type[DutyArgs]]

    async def perform(self, context: DutyContext, args: A) -> None:
        """Do it, and return when done.

        Cancellation is the one way of interruption: leave things so that the next duty can begin.
        Raises `DutyFailedError` for what remedies may cure, other `MidwatchError` branches else.
        """
