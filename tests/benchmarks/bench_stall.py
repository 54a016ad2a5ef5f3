"""How long the event loop stands still while a frame of 26 Mpx is developed.

Run by hand: `python tests/benchmarks/bench_stall.py [WIDTH HEIGHT]`. A task that ticks every
millisecond runs beside the real darkroom with a measuring process and a spool on disk; a late
tick is a stall. The same ticking with nothing beside it shows what the machine itself adds.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import Awaitable
from pathlib import Path
from typing import TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from darkroom_bench import darkroom_of, kept_frame, some_header
from imaging_truth import moffat, render
from midwatch.devices.spool import FolderSpool
from midwatch.imaging import ProcessMeasurer
from midwatch.sequencer.negatives import verified

T = TypeVar("T")


async def ticking(late_ms: list[float], own_ms: list[float]) -> None:
    """Note how late each tick is, and how long the loop's thread itself computed in between."""
    while True:
        before, own = time.perf_counter(), time.thread_time()
        await asyncio.sleep(0.001)
        late_ms.append(1e3 * (time.perf_counter() - before) - 1.0)
        own_ms.append(1e3 * (time.thread_time() - own))


async def beside(what: str, work: Awaitable[T]) -> T:
    late_ms: list[float] = []
    own_ms: list[float] = []
    ticker = asyncio.create_task(ticking(late_ms, own_ms))
    began = time.perf_counter()
    result = await work
    spent = time.perf_counter() - began
    await asyncio.sleep(0.005)
    ticker.cancel()
    print(
        f"{what:30s} {spent:6.2f} s   longest stall {max(late_ms):6.1f} ms   "
        f"longest computing of the loop {max(own_ms):5.1f} ms",
        flush=True,
    )
    return result


def peak_mb() -> float:
    """Peak resident memory of the process that is asked."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1e3


async def main(width: int, height: int) -> None:
    truth = render(moffat(3.0, 3.5), shape=(height, width), stars=600, separation=30, reach=15)
    measurer = ProcessMeasurer()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ref = kept_frame(FolderSpool(folder / "spool"), truth.data)
        darkroom, eyes = darkroom_of(measurer, folder)
        del truth
        await beside("nothing (the machine itself)", asyncio.sleep(8.0))
        await beside("worker begins", measurer.run(peak_mb))
        for turn in ("first", "second"):
            shot = await beside(f"{turn}: fetched, measured", darkroom.look(ref))
            print(f"    {shot.sight.stars} stars, HFR {shot.sight.hfr_px:.3f} px")
            await beside(f"{turn}: solved (fails)", eyes.solve(ref, shot.sight, 83.8, -5.4, 1.0))
            await beside(f"{turn}: preview", darkroom.preview(shot, Path(f"{turn}.png")))
            await beside(
                f"{turn}: written with checksums",
                darkroom.file(shot, some_header(), Path(f"{turn}.fits")),
            )
        print(f"peak memory of the worker {await measurer.run(peak_mb):.0f} MB")
        began = time.perf_counter()
        verified(ref)
        spent_ms = 1e3 * (time.perf_counter() - began)
        print(f"fetching alone, done on the loop, would be a stall of {spent_ms:.0f} ms")
    await measurer.close()


if __name__ == "__main__":
    sizes = [int(word) for word in sys.argv[1:3]] or [6248, 4176]
    np.seterr(all="ignore")
    asyncio.run(main(*sizes))
