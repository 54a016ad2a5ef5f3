"""How long simulating takes. Run by hand: `python tests/benchmarks/bench_simulators.py`."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from midwatch_simulators.base import generator
from midwatch_simulators.sky import CameraOptions, Sensor, SkyView, facts_of, render
from midwatch_simulators.sky.scene import stars_on_chip
from midwatch_simulators.sky.star_image import Blur, psf_of

EXPOSURE_S, SENSOR_C, GAIN, OFFSET = 60.0, -10.0, 0, 50
# Of the camera's usual telescope: a star of magnitude 0, and the sky in one pixel.
STAR_RATE, GLOW_E_S = 7.0e7, 3.0
FIELDS = {
    "pole of the Galaxy": (192.9, 27.1),
    "usual field": (166.3, 55.0),
    "Milky Way": (305.0, 40.0),
}
BLURS = {
    "in focus": Blur(moffat_fwhm=1.6),
    "trailed": Blur(moffat_fwhm=1.6, trail_x=4.0),
    "far out of focus": Blur(moffat_fwhm=1.6, disc_radius=20.0),
}


def milliseconds(work: Callable[[], object], repeats: int) -> str:
    """Best and median wall time of some repeats, after one that does not count."""
    work()
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(1e3 * (time.perf_counter() - began))
    return f"{min(times):8.2f} best {float(np.median(times)):8.2f} median ms"


def view(field: str, blur: Blur) -> SkyView:
    ra_deg, dec_deg = FIELDS[field]
    return SkyView(
        ra_deg=ra_deg, dec_deg=dec_deg, rotation_deg=12.0, stars=True, star_rate=STAR_RATE,
        glow_e_s=GLOW_E_S, blur=blur,
    )  # fmt: skip


def frame(look: SkyView, sensor: Sensor) -> np.ndarray:
    """Render and read one frame as the camera does."""
    floor_e2 = sensor.dark_e_s(SENSOR_C) * EXPOSURE_S + sensor.read_noise_e**2
    light = render(look, sensor, EXPOSURE_S, floor_e2)
    return sensor.read(light, EXPOSURE_S, SENSOR_C, GAIN, OFFSET, generator(1, "frame"))


def facts(look: SkyView, sensor: Sensor) -> object:
    return facts_of(look, sensor, EXPOSURE_S, SENSOR_C, GAIN, OFFSET, generator(1, "frame"))


def main() -> None:
    mono, mosaic = Sensor(CameraOptions(), seed=1), Sensor(CameraOptions(bayer="RGGB"), seed=1)
    began = time.perf_counter()
    frame(view("usual field", BLURS["in focus"]), mono)
    print(f"first frame, all tables and stars  {1e3 * (time.perf_counter() - began):8.2f} ms")
    for field in FIELDS:
        look = view(field, BLURS["in focus"])
        count = len(stars_on_chip(look, mono, EXPOSURE_S, 10.0, 16.0).x_px)
        spent = milliseconds(lambda v=look: frame(v, mono), 9)
        print(f"1800x1400 {field:18s} {count:6d} stars", spent)
    for name, blur in BLURS.items():
        look = view("usual field", blur)
        print(f"1800x1400 {name:25s}", milliseconds(lambda v=look: frame(v, mono), 9))
    look = view("usual field", BLURS["in focus"])
    print("1800x1400 mosaic                   ", milliseconds(lambda: frame(look, mosaic), 9))
    print("facts in place of a frame          ", milliseconds(lambda: facts(look, mono), 50))

    widths = iter(np.arange(1.0, 9.0, 0.01))
    fresh = milliseconds(lambda: psf_of(Blur(moffat_fwhm=float(next(widths)))), 50)
    print("a new image of a star              ", fresh)
    fresh = milliseconds(
        lambda: facts(view("usual field", Blur(moffat_fwhm=float(next(widths)))), mono), 50
    )
    print("facts with a new image of a star   ", fresh)


if __name__ == "__main__":
    main()
