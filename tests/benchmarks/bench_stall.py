"""How long the event loop stands still while frames of 26 Mpx are kept.

Run by hand: `python tests/benchmarks/bench_stall.py [WIDTH HEIGHT]`. A frame is fetched, verified,
measured, solved, graded beside two hundred others, drawn, written and journaled by the real code:
frame taker with a measuring process, a spool on disk, a durable journal with the record listening.
Only the camera is a stand-in that has the frame ready, as the real one is another process.

A tick every millisecond tells what a user of the loop would feel, the machine's noise included.
Each callback of the loop is timed beside it, by three clocks: its whole time, what its thread
computed, and how long the thread stood ready while other programs had the processor. What is
left of the whole is waiting for the disk. Stall of our own: computing and disk.
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
import time
from asyncio import events
from collections.abc import Awaitable
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from midwatch.clock import WallClock
from midwatch.devices.client import FolderSpool
from midwatch.devices.contract.kinds import Expose, FrameRef
from midwatch.imaging import ProcessMeasurer
from midwatch.journal.facts import FrameBegun, Notice
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Journal
from midwatch.orders.reading import load_night
from midwatch.sequencer.camera.frame_pixels import verified
from midwatch.sequencer.duties import DutyContext, load_registry
from midwatch.sequencer.frames import keep_frame
from midwatch.sky import Observer
from support.frame_taker_bench import darkroom_of, kept_frame
from support.imaging_truth import moffat, render

T = TypeVar("T")
ORDERS = Path(__file__).parents[2] / "configs/orders/first-night.yaml"
EARLIER = 200


@dataclass
class Callbacks:
    """Times of the loop's callbacks, milliseconds: (whole, computed, others had the processor)."""

    times: list[tuple[float, float, float]] = field(default_factory=list)

    def install(self) -> None:
        schedule = os.open("/proc/thread-self/schedstat", os.O_RDONLY)
        run = events.Handle._run

        def others_s() -> float:
            return int(os.pread(schedule, 64, 0).split()[1]) / 1e9

        def timed(handle: events.Handle) -> None:
            began, own, others = time.perf_counter(), time.thread_time(), others_s()
            run(handle)
            whole = time.perf_counter() - began
            self.times.append(
                (1e3 * whole, 1e3 * (time.thread_time() - own), 1e3 * (others_s() - others))
            )

        events.Handle._run = timed  # type: ignore[method-assign]

    def worst(self) -> str:
        own = max(self.times, key=lambda t: t[0] - t[2])
        disk = own[0] - own[1] - own[2]
        computed = max(t[1] for t in self.times)
        return (
            f"own stall {own[0] - own[2]:6.1f} ms (disk {disk:5.1f})   computing {computed:5.1f} ms"
        )


CALLBACKS = Callbacks()


async def ticking(late_ms: list[float]) -> None:
    while True:
        before = time.perf_counter()
        await asyncio.sleep(0.001)
        late_ms.append(1e3 * (time.perf_counter() - before) - 1.0)


async def beside(what: str, work: Awaitable[T]) -> T:
    late_ms: list[float] = []
    CALLBACKS.times.clear()
    ticker = asyncio.create_task(ticking(late_ms))
    began = time.perf_counter()
    result = await work
    spent = time.perf_counter() - began
    await asyncio.sleep(0.005)
    ticker.cancel()
    print(
        f"{what:34s} {spent:6.2f} s   tick late {max(late_ms):6.1f} ms   {CALLBACKS.worst()}",
        flush=True,
    )
    return result


class ReadyCamera:
    """Stands in for the camera's process: the frame that is asked for is already in its spool."""

    about = None

    def __init__(self) -> None:
        self.ready: dict[str, FrameRef] = {}

    async def do(self, command: Any, timeout_s: float) -> Any:
        return self.ready[command.exposure_id] if isinstance(command, Expose) else None


def context_of(folder: Path, measurer: ProcessMeasurer, camera: ReadyCamera) -> DutyContext:
    clock, night = WallClock(), load_night(ORDERS)
    journal = Journal.open(folder / "journal.sqlite", clock, durable=True)
    journal.begin_night("2027-03-10")
    record = NightRecord.from_events([])
    journal.listen(record.apply)
    frame_taker, analysis = darkroom_of(measurer, folder)
    frame_taker._camera = camera  # type: ignore[assignment]
    silent = SimpleNamespace(state=None)
    rig = SimpleNamespace(
        camera=camera, mount=silent, focuser=silent, weather=None, guider=None, guide_camera=None
    )
    given: dict[str, Any] = {
        "clock": clock, "night": night, "rig": rig, "record": record, "journal": journal,
        "frame_taker": frame_taker, "analysis": analysis, "lights": [],
        "observer": Observer(night.place),
        "graders": load_registry().graders,
    }  # fmt: skip
    # What keeping a frame never looks at is left out.
    return DutyContext(**{f.name: given.get(f.name) for f in fields(DutyContext)})


def begun_of(context: DutyContext, number: int) -> FrameBegun:
    target = context.night.targets[0]
    return FrameBegun(
        exposure_id=f"e-{number}", frame="light", target=target.name, order_index=0,
        filter="Ha", exposure_s=60.0, gain=100, offset=50, binning=1,
    )  # fmt: skip


async def appended(context: DutyContext) -> None:
    for number in range(50):
        context.note(Notice(message=f"benchmark {number}"))
        await asyncio.sleep(0)


def with_earlier(context: DutyContext) -> None:
    """Let the one light that was graded have two hundred others beside it, as late in a night."""
    (first,) = context.lights
    rng = np.random.default_rng(1)
    for number in range(EARLIER):
        name, grow = f"earlier-{number}", float(rng.normal(1.0, 0.05))
        assert first.light.hfr_px is not None
        light = replace(
            first.light, exposure_id=name, began_utc_s=first.light.began_utc_s - 60.0 * number,
            hfr_px=first.light.hfr_px * grow, stars=round(first.light.stars * grow),
        )  # fmt: skip
        context.lights.append(replace(first, light=light, compared=number))
        context.note(begun_of(context, 1000 + number))


async def kept(context: DutyContext, begun: FrameBegun) -> str:
    graded = await keep_frame(context, begun)
    assert graded is not None
    assert context.record.frames[begun.exposure_id].filed is not None
    return f"    {graded.grade}, beside {graded.compared}: {graded.stars} stars"


async def main(width: int, height: int) -> None:
    truth = render(moffat(3.0, 3.5), shape=(height, width), stars=600, separation=30, reach=15)
    measurer, camera = ProcessMeasurer(), ReadyCamera()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        spool = FolderSpool(folder / "spool")
        for number in range(4):
            truth.data[0, 0] = number
            camera.ready[f"e-{number}"] = kept_frame(spool, truth.data, name=f"e-{number}")
        del truth
        context = context_of(folder, measurer, camera)
        CALLBACKS.install()
        await beside("nothing (the machine itself)", asyncio.sleep(8.0))
        print(await beside("frame kept, worker begins", kept(context, begun_of(context, 0))))
        with_earlier(context)
        await asyncio.sleep(0)
        for number in (1, 2, 3):
            print(
                await beside(f"frame kept, {number + 1}", kept(context, begun_of(context, number)))
            )
        await beside("journal, 50 appends, durable", appended(context))
        print(f"peak memory of the worker {await measurer.run(peak_mb):.0f} MB")
        began = time.perf_counter()
        verified(camera.ready["e-1"])
        spent_ms = 1e3 * (time.perf_counter() - began)
        print(f"fetching alone, done on the loop, would be a stall of {spent_ms:.0f} ms")
        context.journal.close()
    await measurer.close()


def peak_mb() -> float:
    """Peak resident memory of the process that is asked."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1e3


if __name__ == "__main__":
    sizes = [int(word) for word in sys.argv[1:3]] or [6248, 4176]
    np.seterr(all="ignore")
    asyncio.run(main(*sizes))
