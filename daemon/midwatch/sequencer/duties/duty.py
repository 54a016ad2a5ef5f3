"""What a duty is: one thing that the sequencer does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Protocol

from midwatch.journal.facts import Cause
from midwatch.sequencer.duties.context import DutyContext

__all__ = ["Args", "Duty"]

Args = Mapping[str, str | int | float | bool | None]


class Duty(Protocol):
    """One thing that the sequencer does.

    Attributes:
        name: by which orders and decisions call it.
        cause: under which its time is accounted, unless it says otherwise while it runs.
        repeatable: whether it may simply be done again after a crash in the middle of it.
    """

    name: ClassVar[str]
    cause: ClassVar[Cause]
    repeatable: ClassVar[bool]

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Do it, and return when done.

        Cancellation is the one way of interruption: leave things so that the next duty can begin.
        Raises `DutyFailedError` for what remedies may cure, other `MidwatchError` branches else.
        """
