"""Whoever starts a task hears what becomes of it: no death is silent, no end is swallowed."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
import structlog

from midwatch import tasks as tasks_module
from midwatch.clock import VirtualClock
from midwatch.errors import StopError
from midwatch.tasks import (
    FIRST_PAUSE_S,
    LONGEST_PAUSE_S,
    MOST_RESTARTS,
    STEADY_S,
    TaskEndedError,
    Tasks,
    end,
    for_ever,
    start,
)
from midwatch.virtual_time import run_virtual


@pytest.fixture(autouse=True)
def _unseen_logs():
    """Rendering the same error for a terminal, again and again, takes longer than all the rest."""
    with structlog.testing.capture_logs() as logs:
        yield logs


NO_STAR = ValueError("no such star")
ROOT = Path(__file__).parents[3]
# Whoever keeps a watch, or begins work that nobody waits for, by file and the name of the task. A
# new one belongs here and into `tests/nights/test_nights_tasks.py`, or another test that kills it.
KEPT = {
    "bus/calls.py: answers to {}": "tests/nights/test_nights_tasks.py",
    "bus/mqtt/mqtt_bus.py: bus {}": "tests/contract/test_tasks_kept.py",
    "devices/client/device_client.py: {}": "tests/contract/test_tasks_kept.py",
    "devices/client/lease.py: lease of {}": "tests/nights/test_nights_tasks.py",
    "devices/client/rig_client.py: devices of the rig": "tests/nights/test_nights_tasks.py",
    "devices/client/rig_client.py: silence of the rig": "tests/nights/test_nights_tasks.py",
    "runtime/real/device_processes.py: minder of {}": "tests/nights/test_nights_supervised.py",
    "interface/page/page_bus.py: page hears devices": "tests/contract/test_tasks_kept.py",
    "interface/page/page_server.py: page": "tests/contract/test_tasks_kept.py",
    "runtime/service/service_manager.py: service watchdog": "tests/contract/test_tasks_kept.py",
    "sequencer/night/engine.py: night watch": "tests/nights/test_nights_tasks.py",
    "sequencer/night/engine.py: remedies": "tests/nights/test_nights_tasks.py",
    "sequencer/night/operator_desk.py: evidence of a silence": "tests/unit/ground/test_tasks.py",
    "sequencer/night/operator_desk.py: night bulletin": "tests/nights/test_nights_tasks.py",
    "sequencer/night/operator_desk.py: orders by hand": "tests/nights/test_nights_tasks.py",
}
START = datetime(2027, 3, 10, 18, tzinfo=UTC)


class Bench:
    """Tasks whose deaths are noted with the time at which they were told."""

    def __init__(self):
        self.clock = VirtualClock(START)
        self.tasks = Tasks(self.clock)
        self.seen = []
        self.begun = []
        self.tasks.hear(lambda death: self.seen.append((self.clock.mono(), death)))

    def dying(self, *lives_s, error=NO_STAR):
        """A watch that lives for so long each time, and for good after the last."""
        left = list(lives_s)

        async def watch():
            self.begun.append(self.clock.mono())
            if not left:
                await asyncio.Event().wait()
            await self.clock.sleep(left.pop(0))
            if error is not None:
                raise error

        return watch

    async def see(self, seconds, *tasks):
        await self.clock.sleep(seconds)
        await end(*tasks, reason="enough was seen")


def test_a_watch_that_raises_is_reported_and_started_again_after_a_pause():
    async def main():
        bench = Bench()
        await bench.see(100, bench.tasks.keep("limits", bench.dying(10)))
        return bench

    bench = run_virtual(main)
    ((at_s, death),) = bench.seen
    assert at_s == 10
    assert (death.name, death.reason, death.count, death.again_in_s) == (
        "limits", "ValueError: no such star", 1, FIRST_PAUSE_S,
    )  # fmt: skip
    assert bench.begun == [0, 10 + FIRST_PAUSE_S]


def test_a_watch_that_returns_has_died_too():
    async def main():
        bench = Bench()
        await bench.see(100, bench.tasks.keep("limits", bench.dying(10, error=None)))
        return bench

    bench = run_virtual(main)
    assert "returned" in bench.seen[0][1].reason
    assert len(bench.begun) == 2


def test_a_watch_for_which_something_was_cancelled_without_asking_has_died_too():
    async def main():
        bench = Bench()
        answer = asyncio.get_running_loop().create_future()

        async def watch():
            bench.begun.append(bench.clock.mono())
            await answer

        async def cancel():
            await bench.clock.sleep(5)
            answer.cancel()

        await asyncio.gather(cancel(), bench.see(5.5, bench.tasks.keep("limits", watch)))
        return bench

    bench = run_virtual(main)
    assert [death.reason for _, death in bench.seen] == ["CancelledError"]


def test_pauses_double_until_a_watch_is_given_up_with_its_error():
    async def main():
        bench = Bench()
        task = bench.tasks.keep("limits", bench.dying(*[0.5] * 50), "leave")
        await asyncio.wait({task})
        return bench, task.exception()

    bench, error = run_virtual(main)
    pauses = [death.again_in_s for _, death in bench.seen]
    assert pauses == [1, 2, 4, 8, 16, None]
    assert len(bench.begun) == MOST_RESTARTS + 1
    assert {death.without for _, death in bench.seen} == {"leave"}
    assert isinstance(error, ValueError)


def test_what_the_night_can_do_without_is_started_again_for_good():
    async def main():
        bench = Bench()
        await bench.see(1000, bench.tasks.keep("page", bench.dying(*[0.5] * 500), "go_on"))
        return bench

    bench = run_virtual(main)
    pauses = [death.again_in_s for _, death in bench.seen]
    assert pauses[:7] == [1, 2, 4, 8, 16, 32, LONGEST_PAUSE_S]
    assert set(pauses[7:]) == {LONGEST_PAUSE_S}


def test_an_error_that_says_stop_is_not_answered_by_another_start():
    async def main():
        bench = Bench()
        task = bench.tasks.keep("limits", bench.dying(1, error=StopError("the journal is gone")))
        with pytest.raises(StopError, match="journal"):
            await task
        return bench

    bench = run_virtual(main)
    assert [death.again_in_s for _, death in bench.seen] == [None]
    assert bench.begun == [0]


def test_deaths_far_apart_do_not_add_up():
    async def main():
        bench = Bench()
        lives_s = [STEADY_S + 1.0] * 20
        await bench.see(21 * STEADY_S, bench.tasks.keep("limits", bench.dying(*lives_s)))
        return bench

    bench = run_virtual(main)
    assert len(bench.seen) == 20
    assert {death.count for _, death in bench.seen} == {1}


def test_a_watch_that_dies_at_its_every_look_is_given_up():
    # Looks of a minute are the slowest of a night.
    async def main():
        bench = Bench()
        task = bench.tasks.keep("night watch", bench.dying(*[60.0] * 50))
        await asyncio.wait({task})
        assert isinstance(task.exception(), ValueError)
        return bench.seen[-1][0]

    assert run_virtual(main) < 600


def test_a_watch_is_well_again_when_it_has_run_for_a_while():
    async def main():
        bench = Bench()
        task = bench.tasks.keep("limits", bench.dying(10))
        found = [bench.tasks.well("limits")]
        await bench.clock.sleep(10.5)
        found.append(bench.tasks.well("limits"))
        await bench.clock.sleep(STEADY_S - 1)
        found.append(bench.tasks.well("limits"))
        await bench.clock.sleep(2)
        found.append(bench.tasks.well("limits"))
        await end(task, reason="enough was seen")
        return found

    assert run_virtual(main) == [True, False, False, True]


def test_who_begins_to_hear_late_hears_of_what_is_not_well():
    async def main():
        bench = Bench()
        tasks = [
            bench.tasks.keep("limits", bench.dying(10)),
            bench.tasks.keep("lease", bench.dying()),
        ]
        await bench.clock.sleep(20)
        heard = []
        forget = bench.tasks.hear(heard.append)
        forget()
        await end(*tasks, reason="enough was seen")
        return [death.name for death in heard]

    assert run_virtual(main) == ["limits"]


def test_a_death_that_cannot_be_reported_keeps_no_watch_from_being_started_again():
    async def main():
        bench = Bench()

        def refuse(_death):
            raise OSError("No space left on device")

        bench.tasks.hear(refuse)
        await bench.see(100, bench.tasks.keep("limits", bench.dying(10)))
        return bench.begun

    assert run_virtual(main) == [0, 10 + FIRST_PAUSE_S]


def test_a_death_that_cannot_be_logged_keeps_no_watch_from_being_started_again(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise BrokenPipeError("the terminal is gone")

    monkeypatch.setattr(tasks_module, "_log", SimpleNamespace(error=refuse))

    async def main():
        bench = Bench()
        await bench.see(100, bench.tasks.keep("limits", bench.dying(10)))
        return bench.begun, len(bench.seen)

    assert run_virtual(main) == ([0, 10 + FIRST_PAUSE_S], 1)


def test_a_piece_of_work_is_done_once_and_again_only_if_it_died():
    async def main():
        bench = Bench()
        done = []

        async def work():
            done.append(bench.clock.mono())
            await bench.clock.sleep(1)
            if len(done) == 1:
                raise OSError("No space left on device")

        await bench.tasks.finish("evidence", work)
        return done, len(bench.seen)

    assert run_virtual(main) == ([0, 1 + FIRST_PAUSE_S], 1)


def test_whoever_ends_a_task_says_why_and_no_death_is_reported():
    async def main():
        bench = Bench()
        reasons = []

        async def watch():
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError as error:
                reasons.extend(error.args)
                raise

        task = bench.tasks.keep("limits", watch)
        await bench.see(1, task)
        return reasons, bench.seen, task.cancelled()

    assert run_virtual(main) == (["enough was seen"], [], True)


def test_a_swallowed_cancellation_ends_a_watch_all_the_same():
    async def main():
        bench = Bench()

        async def deaf():
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                return

        task = bench.tasks.keep("limits", deaf)
        owned = start("owned", for_ever("owned", deaf))
        await bench.see(1, task, owned)
        return bench.seen, task.cancelled(), owned.cancelled()

    assert run_virtual(main) == ([], True, True)


def test_a_watch_of_a_group_that_returns_ends_the_group():
    async def main():
        async def watch():
            return None

        async with asyncio.TaskGroup() as group:
            start("limits", for_ever("limits", watch), group)
            start("others", asyncio.Event().wait(), group)

    with pytest.raises(ExceptionGroup) as caught:
        run_virtual(main)
    assert caught.group_contains(TaskEndedError, match="limits returned")


def test_a_restart_while_the_first_life_is_paused_for_can_be_ended():
    async def main():
        bench = Bench()
        task = bench.tasks.keep("limits", bench.dying(10))
        await bench.see(10.5, task)
        return task.cancelled(), bench.begun

    assert run_virtual(main) == (True, [0])


def sources(*folders):
    for folder in folders:
        for file in sorted((ROOT / folder).rglob("*.py")):
            yield file, file.read_text(encoding="utf-8")


def test_tasks_are_started_in_one_place():
    # Where a loop or a group starts one, no linter sees it.
    starts = re.compile(r"\b(create_task|ensure_future)\(")
    folders = ("daemon", "plugins", "simulators")
    assert {file.name for file, text in sources(*folders) if starts.search(text)} == {"tasks.py"}


def test_every_watch_that_is_kept_is_killed_by_some_test():
    keeps = re.compile(r"tasks\.(?:keep|finish)\(\s*([^,]+),")
    found = set()
    for file, text in sources("daemon/midwatch"):
        for name in keeps.findall(text):
            # A name that is too long for its line stands above it, or is the device's own.
            above = re.findall(rf"\b{re.escape(name)} = (f?\".*\")", text)
            words = re.sub(r"\{[^}]*\}", "{}", (above[0] if above else name).removeprefix("f"))
            place = file.relative_to(ROOT / "daemon/midwatch").as_posix()
            found.add(f"{place}: " + (words.strip('"') if '"' in words else "{}"))
    assert found == set(KEPT)
    assert [test for test in set(KEPT.values()) if not (ROOT / test).exists()] == []
