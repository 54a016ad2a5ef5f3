"""A bench on which simulated devices hear each other, built by hand, under virtual time."""

import asyncio
import hashlib
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from typing import Any

import numpy as np

from midwatch.clock import VirtualClock
from midwatch.devices.contract import Connect, Driver, DriverContext, Facts
from midwatch.devices.contract.kinds import Expose, FrameRef
from midwatch.sky import Place
from midwatch.virtual_time import run_virtual
from midwatch_simulators.base import FocuserTruth, GuiderTruth, MountTruth
from midwatch_simulators.instruments.simulated_camera import make as make_camera

EVENING = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
PLACE = Place(latitude_deg=46.0, longitude_deg=8.0, elevation_m=1200.0)


class MemorySpool:
    def __init__(self, name: str) -> None:
        self.name = name
        self.frames: dict[str, tuple[np.ndarray, FrameRef]] = {}

    def keep(self, pixels: np.ndarray, ref: FrameRef) -> FrameRef:
        digest = hashlib.sha256(np.ascontiguousarray(pixels.astype("<u2"))).hexdigest()
        kept = ref.model_copy(update={"sha256": digest, "where": f"memory:{self.name}"})
        self.frames[digest] = (pixels, kept)
        return kept

    def waiting(self) -> tuple[FrameRef, ...]:
        return tuple(ref for _, ref in self.frames.values())

    def drop(self, sha256: str) -> None:
        self.frames.pop(sha256, None)


class Bench:
    """Devices by name; what one emits the others hear at once."""

    def __init__(self, start: datetime = EVENING, place: Place = PLACE, seed: int = 1) -> None:
        self.clock = VirtualClock(start)
        self.place = place
        self.seed = seed
        self.truths: dict[str, Facts] = {}
        self.changes: dict[str, int] = {}
        self.spools: dict[str, MemorySpool] = {}
        self._listeners: list[tuple[str, str, Callable[[Facts], None]]] = []
        self._tasks: list[asyncio.Task[None]] = []

    def context(self, name: str, **options: Any) -> DriverContext:
        key = hashlib.blake2b(f"{self.seed}/{name}".encode(), digest_size=8).digest()
        self.spools[name] = MemorySpool(name)

        def changed() -> None:
            self.changes[name] = self.changes.get(name, 0) + 1

        return DriverContext(
            name=name,
            clock=self.clock,
            options=options,
            place=self.place,
            rng=np.random.default_rng(int.from_bytes(key, "little")),
            spool=self.spools[name],
            emit=lambda event, facts: self._emit(name, event, facts),
            watch=lambda device, event, call: self._listeners.append((device, event, call)),
            changed=changed,
            spawn=self._spawn,
        )

    def publish(self, device: str, **truth: Any) -> None:
        """Play a device that is not on the bench."""
        self._emit(device, "truth", truth)

    def _emit(self, name: str, event: str, facts: Facts) -> None:
        if event == "truth":
            self.truths[name] = facts
        for device, wanted, call in self._listeners:
            if (device, wanted) == (name, event):
                call(facts)

    def _spawn(self, name: str, work: Coroutine[Any, Any, None]) -> None:
        self._tasks.append(asyncio.get_running_loop().create_task(work, name=name))

    async def __aenter__(self) -> "Bench":
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


async def connected(driver: Driver) -> Driver:
    await driver.perform(Connect())
    return driver


def on_bench(main: Callable[[Bench], Coroutine[Any, Any, Any]], **settings: Any) -> Any:
    """Run a test's coroutine with a fresh bench in virtual time and return its result."""

    async def run() -> Any:
        async with Bench(**settings) as bench:
            return await main(bench)

    return run_virtual(run)


# A camera and what it looks at ---------------------------------------------------------------

SMALL = {"width_px": 480, "height_px": 400}
FIELD = (166.3, 55.0)  # high in the evening sky of the bench


def point(bench: Bench, **changes: object) -> None:
    usual = {
        "utc_s": bench.clock.unix_s(),
        "ra_deg": FIELD[0],
        "dec_deg": FIELD[1],
        "hour_angle_deg": -30.0,
        "tracking": True,
        "guided": True,
    }
    bench.publish("mount", **MountTruth(**{**usual, **changes}).model_dump())


def focus(bench: Bench, tube: float) -> None:
    truth = FocuserTruth(
        utc_s=0, tube=tube, best_tube=15_000, slope_steps_per_c=0, reference_c=5,
        tube_share=0, lens_lag_s=1800, tube_lag_s=1800, um_per_step=1.0,
    )  # fmt: skip
    bench.publish("focuser", **truth.model_dump())


async def shot(camera, **changes: object):
    usual = {"exposure_id": "x", "frame": "light", "exposure_s": 60.0, "offset": 50}
    return await camera.perform(Expose(**{**usual, **changes}))


def one(seed: int = 1, *, prepare=None, options=None, **exposure: object):
    """Take one frame on a fresh bench and return its pixels and reference."""

    async def main(bench: Bench):
        camera = await connected(
            make_camera(bench.context("camera", **{**SMALL, **(options or {})}))
        )
        point(bench)
        if prepare is not None:
            prepare(bench)
        ref = await shot(camera, **exposure)
        return bench.spools["camera"].frames[ref.sha256][0], ref

    return on_bench(main, seed=seed)


def guide(bench: Bench, rms_ra_arcsec: float, rms_dec_arcsec: float) -> None:
    truth = GuiderTruth(
        utc_s=0, guiding=True, since_utc_s=1, rms_ra_arcsec=rms_ra_arcsec,
        rms_dec_arcsec=rms_dec_arcsec,
    )  # fmt: skip
    bench.publish("guider", **truth.model_dump())
