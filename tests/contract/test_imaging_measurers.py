"""One suite for both places where measuring can run, and what only a process must stand."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest

from midwatch.imaging import Frame, InlineMeasurer, Measurer, ProcessMeasurer
from midwatch.imaging.measurer import MeasurerDiedError
from midwatch.imaging.stars import measure_stars
from support.imaging_truth import gaussian, render
from support.pace import LIMIT_S

KINDS: list[Callable[[], Measurer]] = [InlineMeasurer, ProcessMeasurer]


def blocks() -> set[str]:
    """Names of the shared memory that is alive on this machine."""
    return {path.name for path in Path("/dev/shm").glob("psm_*")}


def drive(kind: Callable[[], Measurer], story: Callable[[Measurer], Awaitable[None]]) -> None:
    async def seen() -> None:
        measurer = kind()
        try:
            await story(measurer)
        finally:
            await measurer.close()
            await measurer.close()

    asyncio.run(seen())


@pytest.mark.parametrize("kind", KINDS)
def test_results_and_errors_come_back(kind: Callable[[], Measurer]) -> None:
    frame = Frame(render(gaussian(1.5), stars=20).data, saturation_adu=60_000)
    here = measure_stars(frame, scale_arcsec=2.0)

    async def story(measurer: Measurer) -> None:
        before = blocks()
        there = await measurer.run(measure_stars, frame, scale_arcsec=2.0)
        assert blocks() <= before
        assert (there.hfr_px, there.fwhm_arcsec) == (here.hfr_px, here.fwhm_arcsec)
        assert np.array_equal(there.stars.x_px, here.stars.x_px)
        with pytest.raises(ZeroDivisionError):
            await measurer.run(divmod, 1, 0)
        assert await measurer.run(divmod, 17, 5) == (3, 2)
        both = await asyncio.gather(measurer.run(pow, 2, 5), measurer.run(pow, 3, 2))
        assert both == [32, 9]

    drive(kind, story)


def test_a_worker_that_dies_is_replaced_and_leaves_no_memory_behind() -> None:
    before = blocks()

    async def story(measurer: Measurer) -> None:
        first = await measurer.run(os.getpid)
        assert first != os.getpid()
        os.kill(first, signal.SIGKILL)
        frame = Frame(np.full((40, 40), 500, np.uint16))
        assert (await measurer.run(measure_stars, frame)).count == 0
        second = await measurer.run(os.getpid)
        assert second != first
        with pytest.raises(MeasurerDiedError, match="_exit"):
            await measurer.run(os._exit, 3)
        assert await measurer.run(divmod, 7, 2) == (3, 1)

    drive(ProcessMeasurer, story)
    assert blocks() <= before


def test_cancelling_ends_the_call_at_once_and_the_next_one_works() -> None:
    async def story(measurer: Measurer) -> None:
        worker = await measurer.run(os.getpid)
        call = asyncio.create_task(measurer.run(signal.pause))
        waiting = asyncio.create_task(measurer.run(pow, 2, 2))
        for _ in range(20):
            await asyncio.sleep(0.005)
        assert not call.done() and not waiting.done()
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        assert await waiting == 4
        with pytest.raises(ProcessLookupError):
            os.kill(worker, 0)

    drive(ProcessMeasurer, story)


def test_the_loop_goes_on_while_the_worker_measures() -> None:
    async def story(measurer: Measurer) -> None:
        await measurer.run(os.getpid)
        call = asyncio.create_task(measurer.run(sum, range(20_000_000)))
        turns = 0
        while not call.done():
            turns += 1
            await asyncio.sleep(0.001)
        assert call.result() == 199_999_990_000_000
        assert turns >= 5

    drive(ProcessMeasurer, story)


def test_a_worker_does_not_outlive_a_daemon_that_was_killed(tmp_path: Path) -> None:
    script = tmp_path / "daemon.py"
    script.write_text(
        "import asyncio, os, signal\n"
        "from midwatch.imaging import ProcessMeasurer\n"
        "async def main():\n"
        "    print(await ProcessMeasurer().run(os.getpid), flush=True)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "if __name__ == '__main__':\n"
        "    asyncio.run(main())\n"
    )
    daemon = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
    assert daemon.returncode == -signal.SIGKILL, daemon.stderr
    worker = int(daemon.stdout)
    for _ in range(round(LIMIT_S / 0.02)):
        if not lives(worker):
            break
        time.sleep(0.02)
    assert not lives(worker)


def lives(process: int) -> bool:
    """Whether a process runs; one that ended and waits to be reaped does not."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"
