"""Where measuring runs: at once for rehearsals, in a process of its own for real nights.

Star detection holds the interpreter's lock for its whole time, so that even a thread would keep
the event loop from answering; only another process leaves it free.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory
from typing import Any, ParamSpec, Protocol, TypeVar

import numpy as np

from midwatch.imaging.frame import Frame
from midwatch.tasks import start

__all__ = ["InlineMeasurer", "Measurer", "MeasurerDiedError", "ProcessMeasurer"]

P = ParamSpec("P")
T = TypeVar("T")


class MeasurerDiedError(RuntimeError):
    """The measuring process died twice over one call; the call itself is at fault."""


class Measurer(Protocol):
    """Runs a function of numbers away from the event loop."""

    async def run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Return what the function returns, or raise what it raises."""
        ...

    async def close(self) -> None:
        """Let go of whatever the measurer holds; harmless to repeat."""
        ...


class InlineMeasurer:
    """Runs at once on the event loop, as virtual time requires."""

    async def run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Call the function here and now."""
        return function(*args, **kwargs)

    async def close(self) -> None:
        """Do nothing: nothing is held."""


class ProcessMeasurer:
    """Runs one call at a time in a worker process; further calls wait their turn.

    Frames are passed through shared memory, everything else by pickling. A worker that dies
    is replaced and the call repeated once. A cancelled call ends its worker, since there is no
    other way to stop it; the next call starts a new one.
    """

    def __init__(self) -> None:
        self._turn = asyncio.Lock()
        self._pool: ProcessPoolExecutor | None = None

    async def run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run a function in the worker.

        Args:
            function: A function that can be found by its module and name.
            *args: Its arguments; frames among them travel through shared memory.
            **kwargs: Its named arguments, pickled.

        Raises:
            MeasurerDiedError: The worker died, and its replacement too.
        """
        async with self._turn:
            blocks: list[SharedMemory] = []
            try:
                passed = [_hand_over(value, blocks) for value in args]
                return await self._call(function, passed, dict(kwargs))
            finally:
                for block in blocks:
                    block.close()
                    block.unlink()

    async def _call(
        self, function: Callable[..., T], args: list[object], kwargs: dict[str, object]
    ) -> T:
        loop = asyncio.get_running_loop()
        for _ in range(2):
            try:
                pool = await self._started()
                return await loop.run_in_executor(pool, _perform, function, args, kwargs)
            except BrokenProcessPool:
                self._drop()
            except asyncio.CancelledError:
                self._drop()
                raise
        raise MeasurerDiedError(f"the measuring process died twice in {function.__qualname__}")

    async def _started(self) -> ProcessPoolExecutor:
        """Return the pool, begun in a thread: a new process takes tens of milliseconds."""
        if self._pool is None:
            beginning = start("measuring process", asyncio.to_thread(_begun_pool))
            try:
                self._pool = await asyncio.shield(beginning)
            except asyncio.CancelledError:
                # A pool that comes up meanwhile must be known, or it would never be ended.
                self._pool = await beginning
                raise
        return self._pool

    def _drop(self) -> None:
        """End the worker without waiting for what it is doing."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        # The pool forgets its processes when it is shut down, and offers no way to end them.
        workers = list((pool._processes or {}).values())
        for worker in workers:
            worker.kill()
        pool.shutdown(wait=True, cancel_futures=True)

    async def close(self) -> None:
        """End the worker; a call that still runs is waited for."""
        async with self._turn:
            self._drop()


def _begun_pool() -> ProcessPoolExecutor:
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), initializer=_settle_in)
    # The process begins with the first call.
    pool.submit(os.getpid)
    return pool


@dataclass(frozen=True)
class _SharedFrame:
    """Where a frame's pixels lie in shared memory."""

    block: str
    shape: tuple[int, int]
    bayer: str | None
    saturation_adu: float


def _hand_over(value: object, blocks: list[SharedMemory]) -> object:
    """Put a frame into shared memory; return what to send in its place."""
    if not isinstance(value, Frame) or value.data.size == 0:
        return value
    block = SharedMemory(create=True, size=value.data.nbytes)
    blocks.append(block)
    np.ndarray(value.data.shape, dtype=np.uint16, buffer=block.buf)[:] = value.data
    height, width = value.data.shape
    return _SharedFrame(block.name, (height, width), value.bayer, value.saturation_adu)


def _settle_in() -> None:
    """Run first in the worker: leave interrupts to the daemon, and never outlive it.

    A worker waiting for its next call holds both ends of the pipe and would not notice that the
    daemon was killed.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _perform(function: Callable[..., T], args: list[object], kwargs: dict[str, Any]) -> T:
    """Run in the worker: take the frames out of shared memory and call the function."""
    return function(*[_received(value) for value in args], **kwargs)


def _received(value: object) -> object:
    if not isinstance(value, _SharedFrame):
        return value
    block = SharedMemory(name=value.block)
    try:
        shared = np.ndarray(value.shape, dtype=np.uint16, buffer=block.buf)
        # A copy of a few milliseconds, so that no result can point into memory that is gone.
        return Frame(shared.copy(), value.bayer, value.saturation_adu)
    finally:
        del shared
        block.close()
