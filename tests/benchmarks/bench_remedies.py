"""What faults cost of a night: accepted integration beside the same night without them.

Run `.venv/bin/python tests/benchmarks/bench_remedies.py`; with `pixels`, the guide camera that
drops out is also shown on rendered frames and guide frames, which takes minutes.
"""

from __future__ import annotations

import logging
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog
import yaml

sys.path.insert(0, str(Path(__file__).parent.parent))

from midwatch.journal.store import Event
from midwatch.orders.injected import parse_fault, schedule
from midwatch.orders.reading import load_night
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from support.guided_night import orders_for  # type: ignore[import-not-found]
from support.remedy_nights import FaultyNight, faulty_night  # type: ignore[import-not-found]

FAULTS = (
    "guide-camera-unplugged@20:40+10m",
    "guide-camera-unplugged@19:20",
    "guider-driver-crash@20:40",
    "camera-driver-crash@20:40",
    "camera-driver-hang@20:40+10m",
    "camera-driver-crash-loop@20:40+10m",
    "camera-unplugged@20:40+10m",
    "mount-driver-crash@20:40",
    "mount-driver-hang@20:40+10m",
    "mount-power-lost@20:40+5m",
    "mount-clock-wrong@20:40+10m",
    "tracking-lost@20:40",
    "focuser-stuck@20:40+30m",
    "clock-step-hours@20:40+10m",
    "bus-partition@20:40+5m",
)


def line(name: str, night: FaultyNight, base_s: float, took_s: float) -> None:
    """Print one row."""
    lost_s = base_s - night.integration_s
    kept = 100.0 * night.integration_s / base_s
    ends = "open" if any(f.ended is None for f in night.faults) else "ended"
    promises = "kept" if night.outcome.promises_kept else "BROKEN"
    print(
        f"{name:40s} {lost_s:8.0f} {kept:7.0f} {len(night.faults):7d} {ends:6s} "
        f"{len(night.remedies()):8d} {promises:8s} {took_s:6.1f}"
    )


def fast(rig: str, names: tuple[str, ...], **settings: object) -> None:
    """Show the faults on one rig, in numbers."""
    with tempfile.TemporaryDirectory() as folder:
        base = faulty_night(Path(folder), rig=rig, **settings)
    print(f"\n{rig}, in numbers: {base.integration_s:.0f} s without faults")
    print(
        f"{'fault':40s} {'lost s':>8s} {'kept %':>7s} {'faults':>7s}        {'remedies':>8s} "
        f"{'promises':8s} {'took s':>6s}"
    )
    for name in names:
        began_s = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            night = faulty_night(Path(folder), name, rig=rig, **settings)
        line(name, night, base.integration_s, time.perf_counter() - began_s)


def pixel_night(folder: Path, *names: str) -> FaultyNight:
    """Rehearse an evening of the rig with a guide camera on rendered frames.

    Its mount has a worm that swings by 8 arcsec from peak to peak.
    """
    orders = orders_for(folder, frames=400)
    rig = yaml.safe_load((folder / "rig.yaml").read_text(encoding="utf-8"))
    rig["devices"]["weather"]["options"].pop("clouds", None)
    rig["devices"]["mount"]["options"] = {"worm_arcsec": 8.0}
    (folder / "rig.yaml").write_text(yaml.safe_dump(rig), encoding="utf-8")
    text = orders.read_text(encoding="utf-8")
    text = text.replace("dec: 25d,", "dec: 25d, min_altitude_deg: 66,")
    orders.write_text(text.replace("exposure_s: 60", "exposure_s: 120"), encoding="utf-8")
    night = load_night(orders)
    assert night.orders.evening is not None
    faults = schedule(map(parse_fault, names), night.orders.evening, ZoneInfo(night.site.timezone))
    events: list[Event] = []
    options = RehearsalOptions(
        seed=None, sky_mode="pixels", data_folder=folder / "night", evening=None,
        faults=tuple(faults),
    )  # fmt: skip
    return FaultyNight(rehearse(night, options, events.append), events)


def main() -> None:
    """Print the tables."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    print(datetime.now().astimezone().isoformat(timespec="minutes"), sys.version.split()[0])
    fast("harrier", FAULTS)
    fast("kestrel", FAULTS[:2], filters=(None,))
    if "pixels" not in sys.argv:
        return
    with tempfile.TemporaryDirectory() as folder:
        base_s = pixel_night(Path(folder)).integration_s
    print(f"\nkestrel with a calmer worm, in pixels: {base_s:.0f} s without faults")
    for name in ("guide-camera-unplugged@18:20", "guide-camera-unplugged@20:00+10m"):
        began_s = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            night = pixel_night(Path(folder), name)
        line(name, night, base_s, time.perf_counter() - began_s)


if __name__ == "__main__":
    main()
