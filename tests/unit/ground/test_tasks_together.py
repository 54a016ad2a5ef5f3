"""Pieces of work that are done at once end at once."""

from __future__ import annotations

import asyncio

import pytest

from midwatch.clock import VirtualClock
from midwatch.tasks import together
from midwatch.virtual_time import run_virtual
from support.device_toys import START


def test_results_come_in_the_order_of_the_works() -> None:
    async def main() -> list[str]:
        clock = VirtualClock(START)

        async def after(seconds: float) -> str:
            await clock.sleep(seconds)
            task = asyncio.current_task()
            assert task is not None
            return task.get_name()

        found = await together({"slow": after(3.0), "quick": after(1.0)})
        assert clock.mono() == 3.0
        return found

    assert run_virtual(main) == ["slow", "quick"]


def test_one_that_fails_ends_the_others_first() -> None:
    async def main() -> list[str]:
        clock = VirtualClock(START)
        story = []

        async def fail() -> None:
            await clock.sleep(1.0)
            raise ValueError("no")

        async def wait() -> None:
            try:
                await clock.sleep(60.0)
            finally:
                story.append("ended")

        with pytest.raises(ValueError, match="no"):
            await together({"wait": wait(), "fail": fail()})
        assert clock.mono() == 1.0
        return story

    assert run_virtual(main) == ["ended"]
