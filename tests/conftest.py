"""What all tests have in common."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import settings

from midwatch.virtual_time import VirtualLoop

# A busy machine must not fail a test: nothing is judged by the time that it takes.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# Logs of a test are read where it fails. Lines for programs cost a tenth of coloured ones with the
# locals of every frame, and nights in which something dies write many.
structlog.configure(
    processors=[
        structlog.processors.add_log_level,
        structlog.processors.format_exc_info,
        structlog.processors.KeyValueRenderer(key_order=["level", "event"]),
    ]
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what waits in real time: one worker waits, the others have the machine."""
    items.sort(key=lambda item: item.get_closest_marker("real_time") is None)


@pytest.fixture(autouse=True)
def _no_task_is_left(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail a test whose event loop ends while tasks still run: somebody has lost them.

    `run_virtual` sees to that by itself; a loop in real time would cancel them without a word.
    """
    left: list[str] = []
    cancel_all = asyncio.runners._cancel_all_tasks  # type: ignore[attr-defined]

    def note(loop: asyncio.AbstractEventLoop) -> None:
        if not isinstance(loop, VirtualLoop):
            left.extend(sorted(task.get_name() for task in asyncio.all_tasks(loop)))
        cancel_all(loop)

    monkeypatch.setattr(asyncio.runners, "_cancel_all_tasks", note)
    yield
    assert left == [], "tasks that outlived the test"
