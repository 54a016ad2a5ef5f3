"""What a notifier is: it passes messages on to people."""

from __future__ import annotations

from typing import ClassVar, Protocol

__all__ = ["Notifier"]


class Notifier(Protocol):
    """Reports to people what happened."""

    name: ClassVar[str]

    async def notify(self, title: str, message: str, urgent: bool) -> None:
        """Pass a message on; failures are logged and never stop the night."""
