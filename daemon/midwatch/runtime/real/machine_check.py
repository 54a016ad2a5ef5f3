"""What a night needs of its machine: the machine's clock and its disk."""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Literal

from midwatch.clock import Clock, WallClock
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.sky import earth_rotation_known

Verdict = tuple[Literal["ok", "note", "wrong", "unreachable"], str]

# A clock earlier than this was never set: the program is younger.
_EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
# Present while the system's own time service has the clock in step.
_TIME_SERVICE = Path("/run/systemd/timesync")
# Room for previews, journal and report besides the frames.
_SPARE = 1.2
_BYTES_PER_PIXEL = 2
# For a camera whose size only its driver knows: larger than most.
_ASSUMED_PIXELS = 26_000_000


def clock_findings(plan: NightPlan, zone: tzinfo, clock: Clock | None = None) -> Iterator[Verdict]:
    """Judge the machine's clock: a wrong one points the telescope at the wrong sky.

    Args:
        plan: of the night that is meant.
        zone: of the site; the time is shown in it.
        clock: that of the machine where None.
    """
    now = (WallClock() if clock is None else clock).now()
    shown = f"{now.astimezone(zone):%Y-%m-%d %H:%M:%S %Z}"
    if now < _EARLIEST:
        yield "wrong", f"{shown}: never set; 1 s too little is 15 arcsec on the sky: set it"
    elif _TIME_SERVICE.is_dir() and not (_TIME_SERVICE / "synchronized").exists():
        yield "note", f"{shown}: the time service is not in step yet (1 s is 15 arcsec on the sky)"
    else:
        yield "ok", shown
    if plan.dawn_s < now.timestamp():
        ago = timedelta(seconds=round(now.timestamp() - plan.dawn_s))
        yield "note", f"this night is over since {ago.days} days; it can only be rehearsed"
    if not earth_rotation_known(plan.dusk_s):
        yield "note", "the Earth's rotation is not tabled for that date: pointing within 15 arcsec"


def disk_findings(night: Night, data_folder: Path) -> Iterator[Verdict]:
    """Judge whether the data folder can be written, and has room for every frame ordered."""
    folder = data_folder.absolute()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        with tempfile.TemporaryFile(dir=folder) as probe:
            probe.write(b"\0" * 4096)
            probe.flush()
    except OSError as error:
        yield "wrong", f"{data_folder}: cannot be written ({error.strerror}); give another --out"
        return
    need, assumed = bytes_wanted(night)
    free = shutil.disk_usage(folder).free
    size = f"{_size(need)} wanted{' (size of the camera assumed)' if assumed else ''}"
    if free < need:
        yield "wrong", f"{data_folder}: {size}, {_size(free)} free: make room, or order less"
    else:
        yield "ok", f"{data_folder}: {size}, {_size(free)} free"


def bytes_wanted(night: Night) -> tuple[int, bool]:
    """Return the space for every frame ordered, and whether the camera's size was assumed."""
    options = night.rig.devices.camera.options
    width, height = options.get("width_px"), options.get("height_px")
    known = isinstance(width, int) and isinstance(height, int)
    pixels = width * height if isinstance(width, int) and isinstance(height, int) else None
    per_frame = (pixels or _ASSUMED_PIXELS) * _BYTES_PER_PIXEL
    lights = [
        (frame.count, frame.binning or night.rig.camera.binning)
        for target in night.orders.targets
        for frame in target.frames
    ]
    total = sum(count * per_frame / binning**2 for count, binning in lights)
    frames = [frame for target in night.orders.targets for frame in target.frames]
    extra = night.orders.calibration
    sets = (
        extra.darks * len({frame.exposure_s for frame in frames})
        + extra.flats * len({frame.filter for frame in frames})
        + extra.bias
    )
    total += sets * per_frame / night.rig.camera.binning**2
    return math.ceil(total * _SPARE), not known


def _size(size: float) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"
