"""Virtual time: an event loop whose clock moves only when every task waits.

The loop serves real input and output first. When nothing is ready, its time jumps exactly onto
the next timer, so that ten hours of waiting cost as much as the work done in between. The same
program under the same seed takes the same steps in the same order, whatever the machine does.
"""

from __future__ import annotations

import asyncio
import contextvars
import hashlib
import heapq
import platform
import selectors
import threading
from asyncio.base_events import BaseEventLoop
from collections import deque
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar, TypeVarTuple, Unpack, cast

from midwatch.errors import StopError

if TYPE_CHECKING:
    from concurrent.futures import Executor

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

# Passes of the loop within one instant before it counts as stuck. Too low breaks a busy instant
# (a burst of messages takes a few passes each); too high only delays the report of a poll that
# never lets time move: a million passes take about two seconds.
MAX_PASSES_PER_INSTANT = 1_000_000

# What asyncio does not promise and this loop relies on: what a pass of the base class works with,
# and what its handles are made of.
_OF_A_PASS = frozenset({"_clock_resolution", "_ready", "_scheduled", "_selector", "_stopping"})
_OF_A_HANDLE = frozenset({"_cancelled", "_run", "_scheduled", "_when"})


class VirtualTimeError(StopError):
    """The program under virtual time does something that has no meaning there."""


class DeadlockError(VirtualTimeError):
    """Every task waits and no timer will ever wake one."""


class LivelockError(VirtualTimeError):
    """Tasks keep waking each other without letting time move."""


class ForeignThreadError(VirtualTimeError):
    """A thread runs alongside the loop; virtual time cannot know how long it takes."""


class LeakedTaskError(VirtualTimeError):
    """Tasks were still running when the main coroutine had returned."""


class _OrderedTimer(asyncio.TimerHandle):
    """A timer that orders equal deadlines by `tie`, and those by age."""

    __slots__ = ("_order",)

    _order: tuple[float, int, int]

    _when: float
    _scheduled: bool

    def __init__(
        self,
        when: float,
        tie: int,
        number: int,
        callback: Callable[..., object],
        args: tuple[Any, ...],
        loop: asyncio.AbstractEventLoop,
        context: contextvars.Context | None,
    ) -> None:
        super().__init__(when, callback, args, loop, context)
        self._order = (when, tie, number)

    def __lt__(self, other: object) -> bool:
        if not isinstance(other, _OrderedTimer):
            return NotImplemented
        return self._order < other._order


class _NumberedTask(asyncio.Task[Any]):
    """A task that hashes by its number, so that sets of tasks have the same order in every run."""

    __slots__ = ("number",)

    number: int

    def __new__(cls, *_args: Any, number: int, **_kwargs: Any) -> _NumberedTask:
        # The number must be set before the base class registers the task in a set.
        task = super().__new__(cls)
        task.number = number
        return task

    def __init__(self, coro: Coroutine[Any, Any, Any], *, number: int, **kwargs: Any) -> None:
        # The default name counts across all loops of the process, ours only within this one.
        kwargs["name"] = kwargs.get("name") or f"task-{number}"
        super().__init__(coro, **kwargs)

    def set_name(self, value: object) -> None:
        if value is not None:  # some versions pass on that no name was given
            super().set_name(value)

    def __hash__(self) -> int:
        return self.number


class _JumpingSelector(selectors.DefaultSelector):
    """Polls real input and output; where another selector would wait, it moves the loop's time."""

    def __init__(self) -> None:
        super().__init__()
        self.loop: VirtualLoop | None = None

    @property
    def foreign(self) -> bool:
        """Whether there is more to look at than the loop's own wake-up pipe."""
        return len(self.get_map()) > 1

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        loop = self.loop
        if loop is None:
            return super().select(timeout)
        if timeout is not None and timeout <= 0.0:
            loop.count_pass()
            return super().select(0) if self.foreign else []
        ready = super().select(0)
        if ready:
            return ready
        if loop.held:
            return super().select(None)
        loop.jump()
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time, which begins at 0 s.

    Timers are rounded to 1 us. Equal deadlines fire first in, first out; a `seed` other than 0
    shuffles them, to explore other legal orders. Work given to an executor runs inline. In
    `strict` mode a thread started after the loop makes the next jump raise.

    Attributes:
        now_s: what `time` says.
        held: how many wait for something outside.
        unhandled: errors that were not seen.
    """

    _scheduled: list[_OrderedTimer]
    _ready: deque[asyncio.Handle]
    _selector: _JumpingSelector
    _stopping: bool
    _debug: bool
    _clock_resolution: float

    def __init__(self, *, seed: int = 0, strict: bool = True) -> None:
        selector = _JumpingSelector()
        super().__init__(selector)
        self._clock_resolution = 1e-7
        self.now_s = 0.0
        self._strict = strict
        self._passes = 0
        self._timers = 0
        self._tasks = 0
        self._draw_tie = _tie_source(seed)
        self._threads_at_start = threading.active_count()
        self.held = 0
        self.unhandled: list[BaseException] = []
        self.set_task_factory(cast("Any", self._make_task))
        self.set_exception_handler(_collect_exception)
        selector.loop = self

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self.now_s

    def call_at(
        self,
        when: float,
        callback: Callable[[Unpack[Ts]], object],
        *args: *Ts,
        context: contextvars.Context | None = None,
    ) -> asyncio.TimerHandle:
        """Schedule `callback` at virtual time `when`, rounded to 1 us."""
        self._timers += 1
        timer = _OrderedTimer(
            round(when, 6), self._draw_tie(), self._timers, callback, args, self, context
        )
        heapq.heappush(self._scheduled, timer)
        timer._scheduled = True
        return timer

    def _run_once(self) -> None:
        """Do one pass: all that is ready now, in the way of the base class.

        Most passes have neither time to move nor anything foreign to look at, and take a shorter
        way to the same end.
        """
        ready, scheduled = self._ready, self._scheduled
        due = bool(scheduled) and scheduled[0]._when < self.now_s + self._clock_resolution
        if due or not ready or self._stopping or self._debug or self._selector.foreign:
            super()._run_once()  # type: ignore[misc]  # private, and there in every version
            return
        self.count_pass()
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle._cancelled:
                handle._run()

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[Unpack[Ts]], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """Run `func` at once and in this thread; virtual time does not move meanwhile."""
        del executor
        future: asyncio.Future[T] = self.create_future()
        try:
            future.set_result(func(*args))
        except Exception as error:
            future.set_exception(error)
        return future

    @contextmanager
    def hold(self) -> Iterator[None]:
        """Stop virtual time and really wait, as long as something outside the loop works."""
        self.held += 1
        try:
            yield
        finally:
            self.held -= 1

    def jump(self) -> None:
        """Move onto the next timer.

        Raises:
            DeadlockError: there is none.
            ForeignThreadError: strict, and a thread runs alongside the loop.
        """
        if not self._scheduled:
            raise DeadlockError(
                f"nothing can happen any more at {self.now_s:.6f} s; waiting: {self.waiting()}"
            )
        if self._strict and threading.active_count() > self._threads_at_start:
            names = ", ".join(sorted(thread.name for thread in threading.enumerate()))
            raise ForeignThreadError(f"a thread runs while virtual time would jump: {names}")
        self._passes = 0
        self.now_s = max(self.now_s, self._scheduled[0]._when)

    def count_pass(self) -> None:
        """Count one pass at this instant.

        Raises:
            LivelockError: there were too many.
        """
        self._passes += 1
        if self._passes > MAX_PASSES_PER_INSTANT:
            self._passes = 0
            raise LivelockError(
                f"{MAX_PASSES_PER_INSTANT} passes at {self.now_s:.6f} s and time does not move; "
                f"tasks: {self.waiting()}"
            )

    def waiting(self) -> str:
        """The unfinished tasks, oldest first, each with the place where it waits."""
        tasks = (task for task in asyncio.all_tasks(self) if isinstance(task, _NumberedTask))
        return ", ".join(_describe(task) for task in sorted(tasks, key=hash)) or "no task"

    def _make_task(
        self, loop: asyncio.AbstractEventLoop, coro: Coroutine[Any, Any, T], **kwargs: Any
    ) -> asyncio.Task[T]:
        self._tasks += 1
        return _NumberedTask(coro, loop=loop, number=self._tasks, **kwargs)


def run_virtual(
    main: Callable[[], Coroutine[Any, Any, T]],
    *,
    seed: int = 0,
    strict: bool = True,
    unheeded: tuple[type[Exception], ...] = (),
) -> T:
    """Run `main()` to its end in virtual time and return its result.

    Args:
        main: makes the coroutine to run.
        seed: 0 keeps equal deadlines in order; any other number shuffles them reproducibly.
        strict: refuse threads that would run while time jumps.
        unheeded: errors that need not be seen, of tasks that have lost what they lived on.

    Raises:
        DeadlockError: every task waits and there is no timer.
        LivelockError: time stopped moving.
        ForeignThreadError: strict, and a thread was started.
        LeakedTaskError: tasks outlived `main`; they are cancelled.
        ExceptionGroup: errors that would have passed unseen (in callbacks, in forgotten tasks).
        VirtualTimeError: this version of Python works in another way than the loop knows.
    """
    _require_known_asyncio()
    loop = VirtualLoop(seed=seed, strict=strict)

    async def entry() -> T:
        task = asyncio.current_task()
        assert task is not None
        task.set_name("main")
        return await main()

    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        result = runner.run(entry())
        if asyncio.all_tasks(loop):
            raise LeakedTaskError(f"still running after the end: {loop.waiting()}")
    unhandled = [error for error in loop.unhandled if not isinstance(error, unheeded)]
    if unhandled:
        raise BaseExceptionGroup("errors that were not handled", unhandled)
    return result


def _require_known_asyncio() -> None:
    """Refuse a Python whose event loop is built otherwise: its time would not be ours."""
    missing = _OF_A_PASS - set(BaseEventLoop._run_once.__code__.co_names)  # type: ignore[attr-defined]
    missing |= {name for name in _OF_A_HANDLE if not hasattr(asyncio.TimerHandle, name)}
    if missing:
        raise VirtualTimeError(
            f"the event loop of Python {platform.python_version()} works without "
            f"{', '.join(sorted(missing))}, so nothing can be rehearsed with it; use a version "
            "that DEVELOPERS.md names"
        )


def _collect_exception(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    assert isinstance(loop, VirtualLoop)
    error = context.get("exception")
    loop.unhandled.append(
        error if isinstance(error, BaseException) else VirtualTimeError(str(context.get("message")))
    )


def _describe(task: asyncio.Task[Any]) -> str:
    # The innermost coroutine of our own says more than the outermost, which is always the same.
    place: Any = task.get_coro()
    while asyncio.iscoroutine(awaited := getattr(place, "cr_await", None)):
        place = awaited
    frame = getattr(place, "cr_frame", None)
    if frame is None:
        return task.get_name()
    return f"{task.get_name()} (in {frame.f_code.co_qualname}, line {frame.f_lineno})"


def _tie_source(seed: int) -> Callable[[], int]:
    if seed == 0:
        return lambda: 0
    import numpy as np  # only shuffled runs need it, and it is slow to import

    digest = hashlib.blake2b(f"{seed}/equal deadlines".encode(), digest_size=16).digest()
    generator = np.random.default_rng(int.from_bytes(digest, "big"))
    return lambda: int(generator.integers(2**62))
