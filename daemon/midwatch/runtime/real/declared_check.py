"""What can be said against a rig and its orders before any device is touched.

Drivers are made with their options, each on a bus of its own that leads nowhere, and let go again:
what a driver does not accept it says when it is made, and opens its link only when it is told to.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from midwatch.bus import MemoryBroker, MemoryBus
from midwatch.clock import WallClock
from midwatch.devices.client import MemorySpool
from midwatch.devices.contract import DeviceAbout, drivers
from midwatch.devices.host import RigSetting, device_host
from midwatch.errors import MidwatchError
from midwatch.orders.reading import Night, problem_in_file
from midwatch.runtime.real.machine_check import Verdict

__all__ = ["Made", "declared_findings", "drivers_made"]

# A right ascension below this may be one in hours.
_HOURS = 24.0


@dataclass(frozen=True)
class Made:
    """What came of making a driver with its options: what is wrong, or what it says of itself."""

    trouble: str | None
    about: DeviceAbout | None


async def drivers_made(night: Night) -> dict[str, Made]:
    """Make the driver of each role, and let it go again; what is not installed is left out."""
    setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
    made = {}
    known = drivers()
    for role, entry in night.rig.devices.present().items():
        if entry.driver not in known:
            continue
        spool = MemorySpool(role)
        try:
            bus = MemoryBus(MemoryBroker(), role)
            host = device_host(role, setting, bus=bus, clock=WallClock(), seed=1, spool=spool)
            async with host:
                made[role] = Made(None, host.driver.about())
        except MidwatchError as error:
            made[role] = Made(str(error), None)
        finally:
            spool.close()
    return made


def declared_findings(night: Night, made: Mapping[str, Made]) -> Iterator[tuple[str, Verdict]]:
    """Yield what is wrong or doubtful, each with its subject, file and line."""
    for role, driver in made.items():
        if driver.trouble is not None:
            options = night.rig.devices.present()[role].options
            at = ("devices", role, "options", *_first_named(driver.trouble, options))
            yield f"driver of {role}", _wrong(night, "rig", at, driver.trouble, "")
    devices = night.rig.devices
    if devices.guide_camera is not None and devices.guider is None:
        yield "guide_camera", _wrong(
            night, "rig", ("devices", "guide_camera"),
            "nothing guides with it: the rig has no guider",
            "add guider: {driver: midwatch-guider}, or leave the camera out",
        )  # fmt: skip
    camera = made.get("camera")
    if camera is not None and camera.about is not None:
        yield from _beyond_the_camera(night, camera.about.limits)
    yield from _hours_for_degrees(night)
    yield from _rotations(night)


def _first_named(trouble: str, options: Mapping[str, object]) -> tuple[str, ...]:
    """Return the option that a driver complains about: the one that it names first."""
    found = {key: re.search(rf"\b{re.escape(key)}\b", trouble) for key in options}
    named = [(match.start(), key) for key, match in found.items() if match is not None]
    return (min(named)[1],) if named else ()


def _wrong(night: Night, file: str, at: tuple[str | int, ...], message: str, hint: str) -> Verdict:
    return "wrong", str(problem_in_file(night.paths[file], at, message, hint))


def _beyond_the_camera(night: Night, limits: Mapping[str, object]) -> Iterator[tuple[str, Verdict]]:
    """Find gains, offsets and binnings that the camera does not have."""
    settings = night.rig.camera
    asked: list[tuple[str, tuple[str | int, ...], str, int | None]] = []
    for name in ("gain", "offset", "binning"):
        asked.append(("rig", ("camera", name), name, getattr(settings, name)))
        asked += [
            ("orders", ("targets", number, "frames", place, name), name, getattr(frame, name))
            for number, target in enumerate(night.orders.targets)
            for place, frame in enumerate(target.frames)
        ]
    for file, at, name, value in asked:
        least, most = limits.get(f"min_{name}"), limits.get(f"max_{name}")
        if value is None:
            continue
        if isinstance(most, int | float) and value > most:
            yield "camera", _wrong(night, file, at, f"the camera's {name} goes to {most:g}",
                                   f"write at most {most:g}")  # fmt: skip
        elif isinstance(least, int | float) and value < least:
            yield "camera", _wrong(night, file, at, f"the camera's {name} begins at {least:g}",
                                   f"write at least {least:g}")  # fmt: skip


def _hours_for_degrees(night: Night) -> Iterator[tuple[str, Verdict]]:
    """Find bare numbers of right ascension that may be hours."""
    for number, target in enumerate(night.targets):
        ra = target.order.ra
        if not isinstance(ra, int | float) or ra >= _HOURS or target.catalogue_name is not None:
            continue
        hours, minutes = divmod(round(ra * 4.0), 60)
        meant, rest = divmod(round(ra * 60.0), 60)
        text = problem_in_file(
            night.paths["orders"], ("targets", number, "ra"),
            f"{ra:g} is read as degrees, which are {hours} h {minutes:02d} min",
            f"if hours are meant, write {meant:02d}h{rest:02d}m",
        )  # fmt: skip
        yield target.name, ("note", str(text))


def _rotations(night: Night) -> Iterator[tuple[str, Verdict]]:
    """Find rotations that are ordered of a rig which cannot turn its camera."""
    if night.rig.devices.rotator is not None:
        return
    wanted = {
        target.name: target.order.rotation_deg
        for target in night.targets
        if target.order.rotation_deg is not None
    }
    within = night.rig.centring.rotation_within_deg
    for number, target in enumerate(night.targets):
        if target.name not in wanted:
            continue
        also = "" if len(set(wanted.values())) == 1 else "; the targets ask for different angles"
        text = problem_in_file(
            night.paths["orders"], ("targets", number, "rotation_deg"),
            f"the rig has no rotator: turn the camera by hand to position angle "
            f"{wanted[target.name]:g} deg, within {within:g}, before dark{also}",
            "a test frame after dusk shows by how much it is off, and the journal says it",
        )  # fmt: skip
        yield target.name, ("note", str(text))
