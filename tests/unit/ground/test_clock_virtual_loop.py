from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from midwatch import virtual_time
from midwatch.clock import VirtualClock
from midwatch.virtual_time import (
    DeadlockError,
    ForeignThreadError,
    LeakedTaskError,
    LivelockError,
    VirtualLoop,
    VirtualTimeError,
    run_virtual,
)

START = datetime(2026, 11, 25, 12, tzinfo=UTC)


def wake_order(seed: int) -> list[int]:
    async def main() -> list[int]:
        woken: list[int] = []

        async def sleeper(number: int) -> None:
            await asyncio.sleep(1.0)
            woken.append(number)

        async with asyncio.TaskGroup() as tasks:
            for number in range(50):
                tasks.create_task(sleeper(number))
        return woken

    return run_virtual(main, seed=seed)


def test_equal_deadlines_fire_first_in_first_out() -> None:
    assert wake_order(0) == list(range(50))


def test_another_seed_explores_another_order_and_repeats_it() -> None:
    assert wake_order(7) != list(range(50))
    assert sorted(wake_order(7)) == list(range(50))
    assert wake_order(7) == wake_order(7)
    assert wake_order(7) != wake_order(8)


def test_ten_hours_of_seconds_end_exactly_on_the_tenth_hour() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        assert loop.time() == 0.0
        for _ in range(3600):
            await asyncio.sleep(10.0)
        return loop.time()

    assert run_virtual(main) == 36_000.0


def test_time_has_no_drift_and_no_daily_limit() -> None:
    async def main() -> tuple[float, float]:
        for _ in range(10):
            await asyncio.sleep(0.1)
        tenths = asyncio.get_running_loop().time()
        await asyncio.sleep(3 * 86_400.0)
        return tenths, asyncio.get_running_loop().time()

    assert run_virtual(main) == (1.0, 1.0 + 3 * 86_400.0)


def test_a_timeout_fires_at_its_instant_and_leaves_the_rest_alone() -> None:
    async def main() -> float:
        clock = VirtualClock(START)
        with pytest.raises(TimeoutError):
            async with clock.timeout(2.5):
                await asyncio.Event().wait()
        async with clock.timeout(10.0):
            await clock.sleep(9.999)
        async with clock.timeout(None):
            await clock.sleep(1.0)
        return clock.mono()

    assert run_virtual(main) == pytest.approx(2.5 + 9.999 + 1.0, abs=1e-9)


def test_a_failing_task_cancels_its_group_in_the_order_of_creation() -> None:
    cancelled: list[int] = []

    async def wait(number: int) -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.append(number)
            raise

    async def fail() -> None:
        await asyncio.sleep(1.0)
        raise KeyError("broken")

    async def main() -> None:
        async with asyncio.TaskGroup() as tasks:
            for number in range(40):
                tasks.create_task(wait(number))
            tasks.create_task(fail())

    with pytest.raises(ExceptionGroup) as caught:
        run_virtual(main)
    assert isinstance(caught.value.exceptions[0], KeyError)
    assert cancelled == list(range(40))


def test_cancellation_reaches_through_nested_groups() -> None:
    async def inner() -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(asyncio.sleep(100.0))
            await asyncio.sleep(100.0)

    async def main() -> bool:
        task = asyncio.create_task(inner())
        await asyncio.sleep(1.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return task.cancelled()

    assert run_virtual(main)


def test_a_deadlock_names_who_waits_and_where() -> None:
    async def wait_for_godot() -> None:
        await asyncio.Event().wait()

    async def main() -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(wait_for_godot(), name="vladimir")
            tasks.create_task(wait_for_godot(), name="estragon")
            await asyncio.sleep(5.0)

    with pytest.raises(DeadlockError, match=r"at 5\.0.*main.*vladimir \(in Event\.wait.*estragon"):
        run_virtual(main)


def test_a_leaked_task_is_named() -> None:
    async def main() -> None:
        asyncio.get_running_loop().create_task(asyncio.sleep(9.0), name="forgotten")
        await asyncio.sleep(1.0)

    with pytest.raises(LeakedTaskError, match="forgotten"):
        run_virtual(main)


def test_a_poll_that_never_lets_time_move_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(virtual_time, "MAX_PASSES_PER_INSTANT", 1000)

    async def main() -> None:
        while True:  # noqa: ASYNC110 (this is the very mistake)
            await asyncio.sleep(0)

    with pytest.raises(LivelockError, match="main"):
        run_virtual(main)


def test_passes_are_counted_for_each_instant_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(virtual_time, "MAX_PASSES_PER_INSTANT", 50)

    async def main() -> float:
        for _ in range(10):
            for _ in range(40):
                await asyncio.sleep(0)
            await asyncio.sleep(1.0)
        return asyncio.get_running_loop().time()

    assert run_virtual(main) == 10.0


def beside_a_thread(strict: bool) -> None:
    go_on = threading.Event()
    thread = threading.Thread(target=go_on.wait, name="stray")

    async def main() -> None:
        thread.start()
        await asyncio.sleep(1.0)

    try:
        run_virtual(main, strict=strict)
    finally:
        go_on.set()
        thread.join()


def test_a_thread_next_to_the_loop_is_refused_unless_allowed() -> None:
    with pytest.raises(ForeignThreadError, match="stray"):
        beside_a_thread(strict=True)
    beside_a_thread(strict=False)


def test_while_held_time_stands_still_and_a_thread_may_answer() -> None:
    async def main() -> tuple[str, float]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        answer: asyncio.Future[str] = loop.create_future()
        timer = loop.call_later(1e-3, answer.set_result, "the timer was faster")
        with loop.hold():
            thread = threading.Thread(
                target=lambda: loop.call_soon_threadsafe(answer.set_result, "real work")
            )
            thread.start()
            result = await answer
            thread.join()
        timer.cancel()
        return result, loop.time()

    assert run_virtual(main) == ("real work", 0.0)


def test_executor_work_runs_inline_and_raises_where_it_is_awaited() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        assert await loop.run_in_executor(None, threading.get_ident) == threading.get_ident()
        assert await asyncio.to_thread(pow, 2, 10) == 1024
        with pytest.raises(ZeroDivisionError):
            await asyncio.to_thread(divmod, 1, 0)
        return loop.time()

    assert run_virtual(main) == 0.0


def broken() -> None:
    raise KeyError("unseen")


async def broken_task() -> None:
    broken()


def schedule_broken_callback() -> None:
    asyncio.get_running_loop().call_later(1.0, broken)


def forget_broken_task() -> None:
    task = asyncio.get_running_loop().create_task(broken_task())
    del task


@pytest.mark.parametrize("begin", [schedule_broken_callback, forget_broken_task])
def test_an_error_that_nobody_would_see_fails_the_run(begin: Callable[[], None]) -> None:
    async def main() -> None:
        begin()
        await asyncio.sleep(2.0)

    with pytest.raises(ExceptionGroup, match="were not handled") as caught:
        run_virtual(main)
    assert [type(error) for error in caught.value.exceptions] == [KeyError]


def test_sockets_are_served_before_time_moves() -> None:
    async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(100):
            writer.write(data.upper())
        writer.close()
        await writer.wait_closed()

    async def main() -> list[bytes]:
        clock = VirtualClock(START)
        replies = []
        async with await asyncio.start_server(echo, "127.0.0.1", 0) as server:
            host, port = server.sockets[0].getsockname()
            reader, writer = await asyncio.open_connection(host, port)
            for word in (b"slew", b"settle"):
                writer.write(word)
                async with clock.timeout(1.0):
                    replies.append(await reader.read(100))
                await clock.sleep(3600.0)
            writer.close()
            await writer.wait_closed()
            await clock.sleep(1.0)
        return replies

    assert run_virtual(main) == [b"SLEW", b"SETTLE"]


SCRIPT = """
import asyncio
from midwatch.virtual_time import run_virtual

async def sleeper(name, delay):
    await asyncio.sleep(delay)
    return name

async def main():
    tasks = {asyncio.create_task(sleeper(f"t{i}", (i * 7) % 5), name=f"n{i}") for i in range(60)}
    print([task.get_name() for task in tasks])
    while tasks:
        done, tasks = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        print([task.result() for task in done])
    extra = asyncio.create_task(asyncio.sleep(0))
    await extra
    print(extra.get_name())

run_virtual(main)
"""


def test_the_order_of_sets_of_tasks_does_not_depend_on_the_process() -> None:
    outputs = set()
    for hash_seed in ("0", "1", "4242"):
        environment = os.environ | {"PYTHONHASHSEED": hash_seed}
        outputs.add(subprocess.check_output([sys.executable, "-c", SCRIPT], env=environment))
    assert len(outputs) == 1
    assert b"task-" in outputs.pop()


def test_two_runs_in_one_process_number_their_tasks_alike() -> None:
    async def main() -> str:
        task = asyncio.create_task(asyncio.sleep(1.0))
        await task
        return task.get_name()

    assert run_virtual(main) == run_virtual(main)


def test_a_python_whose_event_loop_is_built_otherwise_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def elsewhere(self: object) -> None:
        """Keeps its timers under another name."""
        self._ready, self._stopping, self._selector, self._clock_resolution  # type: ignore[attr-defined] # noqa: B018

    monkeypatch.setattr("asyncio.base_events.BaseEventLoop._run_once", elsewhere)
    with pytest.raises(VirtualTimeError, match="works without _scheduled, so nothing can be rehe"):
        wake_order(0)
