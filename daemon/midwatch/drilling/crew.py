"""The processes that run a drill's nights: each keeps what it has loaded, and may die of a night.

A night that hangs uses up its processor time, and the system ends its process; what minds the
crew sees that it is gone, counts the night as broken and puts another in its place.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing
import signal
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Self

from midwatch.bound import Gaps
from midwatch.drilling.trial import Trial, TrialResult, failed, run_trial
from midwatch.logs import set_up_logs
from midwatch.planning import plan_night
from midwatch.runtime.files import load_orders

__all__ = ["Briefing", "Crew"]

# Ends in good order within this time, or is made to.
_LEAVE_S = 5.0


@dataclass(frozen=True)
class Briefing:
    """What every process of a crew needs to know.

    Attributes:
        orders: file of the night orders.
        evening: of the nights.
        folder: for the nights' files; each process has a folder of its own in it.
        limit_s: processor time that a night may take; one that needs more counts as hanging.
    """

    orders: Path
    evening: date
    folder: Path
    limit_s: float


@dataclass
class _Worker:
    process: SpawnProcess
    link: Connection
    trial: Trial | None = None


class Crew:
    """Runs nights in several processes at a time; leaving ends them.

    Args:
        briefing: for each of them.
        jobs: how many.
    """

    def __init__(self, briefing: Briefing, jobs: int) -> None:
        self._briefing = briefing
        self._jobs = jobs
        self._workers: list[_Worker] = []
        self._made = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers:
            if worker.trial is None:
                with suppress(OSError):
                    worker.link.send(None)
            else:
                worker.process.kill()
            worker.link.close()
        for worker in self._workers:
            worker.process.join(_LEAVE_S)
            worker.process.kill()

    def run(
        self, trials: Iterable[Trial], undisturbed: Gaps | None = None
    ) -> Iterator[TrialResult]:
        """Yield the result of each night as it ends; their order is that of ending."""
        waiting = deque(trials)
        while waiting or any(worker.trial for worker in self._workers):
            self._hand_out(waiting, undisturbed)
            busy = {worker.link: worker for worker in self._workers if worker.trial}
            for link in wait(list(busy)):
                assert isinstance(link, Connection)
                yield self._take(busy[link])

    def _hand_out(self, waiting: deque[Trial], undisturbed: Gaps | None) -> None:
        idle = [worker for worker in self._workers if worker.trial is None]
        while waiting and (idle or len(self._workers) < self._jobs):
            worker = idle.pop() if idle else self._engage()
            worker.trial = waiting.popleft()
            worker.link.send((worker.trial, undisturbed))

    def _engage(self) -> _Worker:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        folder = self._briefing.folder / f"worker-{self._made}"
        self._made += 1
        process = context.Process(
            target=_work, args=(theirs, replace(self._briefing, folder=folder)), daemon=True
        )
        process.start()
        theirs.close()
        worker = _Worker(process, ours)
        self._workers.append(worker)
        return worker

    def _take(self, worker: _Worker) -> TrialResult:
        trial, worker.trial = worker.trial, None
        assert trial is not None
        try:
            answer = worker.link.recv()
        except (EOFError, ConnectionError):
            return self._lose(worker, trial)
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, TrialResult)
        return answer

    def _lose(self, worker: _Worker, trial: Trial) -> TrialResult:
        worker.process.join()
        worker.link.close()
        self._workers.remove(worker)
        code = worker.process.exitcode
        limit_s = self._briefing.limit_s
        if code == -signal.SIGPROF:
            return failed(trial, f"the night hung: it took more than {limit_s:g} s of processor")
        return failed(trial, f"the process of the night died with code {code}")


def _work(link: Connection, briefing: Briefing) -> None:
    """Run nights until asked to leave: the body of a process."""
    # An interrupt of the terminal goes to all; the crew's master ends us in good order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # What a broken night has to say is in its promises; it can be seen again.
    set_up_logs(-1)
    logging.disable(logging.CRITICAL)
    try:
        night = load_orders(briefing.orders)
        plan = plan_night(night, briefing.evening)
    except Exception as error:
        link.send(error)
        return
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    while True:
        try:
            order = link.recv()
        except EOFError:
            return
        if order is None:
            return
        trial, undisturbed = order
        # Past its limit the system ends this process, even in the middle of a computation.
        signal.setitimer(signal.ITIMER_PROF, briefing.limit_s)
        try:
            result = run_trial(night, plan, trial, briefing.folder, undisturbed)
        except Exception as error:  # what is wrong with the orders ends the drill
            link.send(error)
            return
        left_s, _ = signal.setitimer(signal.ITIMER_PROF, 0.0)
        link.send(replace(result, processor_s=briefing.limit_s - left_s))
