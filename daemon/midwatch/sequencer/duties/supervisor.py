"""What supervises the drivers, as the sequencer sees it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

__all__ = ["Supervisor"]


class Supervisor(Protocol):
    """Supervises the processes of the drivers.

    Attributes:
        inform: called with (role, what happened) when a driver ended or was started again.
    """

    inform: Callable[[str, str], None]

    @property
    def roles(self) -> tuple[str, ...]:
        """The devices whose drivers are supervised."""

    async def restart(self, role: str) -> None:
        """End the driver of a device and have it started again."""
