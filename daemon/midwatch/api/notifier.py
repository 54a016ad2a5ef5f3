r"""For the author of a notifier: something that passes a message on to people.

A notifier that fails is logged, and never stops the night.

Example, for the entry point ``file`` in ``midwatch.notifiers``::

    import asyncio
    from pathlib import Path
    from typing import ClassVar


    class IntoFile:
        name: ClassVar[str] = "file"

        async def notify(self, title: str, message: str, urgent: bool) -> None:
            mark = "! " if urgent else ""
            text = f"{mark}{title}: {message}\n"
            await asyncio.to_thread(Path("night.txt").write_text, text, encoding="utf-8")
"""

from midwatch.sequencer.duties import Notifier

__all__ = ["Notifier"]
