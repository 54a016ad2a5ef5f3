"""Which faults can be injected into a rehearsal, a drill or a run on simulators.

A kind says what goes wrong and where; how it goes wrong is the business of the simulators, the
bus and the daemon's surroundings. Without a duration a fault lasts for good, except those that
are over in an instant.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["FAULT_KINDS", "STEP_S", "FaultKind", "fault_roles", "shown_by"]

# By how much the clock of the daemon's machine is ahead.
STEP_S = {"clock-step-seconds": 7.0, "clock-step-hours": 7200.0}

Where = Literal["device", "process", "bus", "host", "operator"]

_ENDS_THE_DAEMON = ("daemon-killed", "power-cut")


@dataclass(frozen=True)
class FaultKind:
    """One thing that can go wrong.

    Attributes:
        name: as it is written on the command line and in scenario files.
        where: what brings it about: a simulated device, the process of a driver, the bus, the
            machine of the daemon, or a person.
        role: of the device that it is about; None where it is about none.
        about: what happens, for a person.
        instant: it happens once and has no duration.
        drawn_s: shortest and longest duration when drawn at random; 0, 0 where instant.
        may_stay: when drawn at random it may also last for good.
        must_end: without its end the night has none either: a dead daemon does nothing more.
    """

    name: str
    where: Where
    role: str | None
    about: str
    instant: bool = False
    drawn_s: tuple[float, float] = (60.0, 1800.0)
    may_stay: bool = False
    must_end: bool = False


def _device(
    role: str,
    name: str,
    about: str,
    drawn_s: tuple[float, float] = (60.0, 1800.0),
    *,
    instant: bool = False,
    may_stay: bool = False,
) -> FaultKind:
    drawn = (0.0, 0.0) if instant else drawn_s
    return FaultKind(name, "device", role, about, instant, drawn, may_stay)


_DEVICES = (
    _device("guide_camera", "guide-camera-unplugged", "its cable is out", may_stay=True),
    _device("guide_camera", "guide-camera-frozen", "it sends the same frame again and again"),
    _device("guide_camera", "guide-camera-hot", "many of its pixels are hot", (600.0, 7200.0)),
    _device("guide_camera", "guide-camera-wrong-exposure", "it exposes a tenth of what is asked"),
    _device("guider", "guide-star-lost", "the guide stars vanish", (20.0, 300.0)),
    _device("guider", "guide-overcorrection", "corrections overshoot and grow", (60.0, 900.0)),
    _device(
        "guider", "guide-calibration-nonsense", "calibration gives useless rates", (300.0, 1800.0)
    ),
    _device("camera", "camera-unplugged", "its cable is out", (30.0, 900.0)),
    _device("camera", "exposure-never-ends", "an exposure is begun and no frame comes",
            (300.0, 1200.0)),
    _device("camera", "frame-truncated", "the lower part of each frame is missing", (60.0, 900.0)),
    _device("camera", "frame-corrupt", "what is fetched is not what was read out", (60.0, 900.0)),
    _device("camera", "frame-wrong-size", "frames have other sides than announced", (60.0, 900.0)),
    _device("camera", "shutter-stuck", "the shutter stays shut: frames are dark", (60.0, 900.0)),
    _device("camera", "cooler-fails", "the cooler gives up and the sensor warms", (600.0, 3600.0),
            may_stay=True),
    _device("camera", "cooler-weak", "the cooler cannot reach its set point", (1800.0, 14400.0),
            may_stay=True),
    _device("mount", "mount-stalls", "a motor stalls: the axes do not move", (60.0, 600.0)),
    _device("mount", "tracking-lost", "tracking stops without a word", instant=True),
    _device("mount", "slew-refused", "it refuses to slew", (60.0, 600.0)),
    _device("mount", "slew-lands-elsewhere", "slews end degrees from where they were sent",
            (60.0, 1800.0)),
    _device("mount", "wrong-pier-side", "slews arrive on the other side of the pier",
            (60.0, 1200.0)),
    _device("mount", "mount-limit-hit", "its own limit switch stops it", instant=True),
    _device("mount", "mount-clock-wrong", "its clock is some minutes off", (600.0, 3600.0)),
    _device("mount", "mount-site-wrong", "it believes in another longitude", (600.0, 3600.0)),
    _device("mount", "mount-power-lost", "its supply is interrupted", (10.0, 600.0)),
    _device("mount", "encoder-jump", "its encoders jump by half a degree", instant=True),
    _device("focuser", "focuser-stuck", "it says that it moved, and did not", (300.0, 3600.0),
            may_stay=True),
    _device("focuser", "focuser-slips", "the tube slides down a little", instant=True),
    _device("focuser", "focuser-at-end", "it runs against its end and stops there",
            (300.0, 1800.0)),
    _device("focuser", "focuser-reversed", "it moves the other way", (300.0, 1800.0)),
    _device("filter_wheel", "filter-wheel-jams", "it does not turn", (60.0, 3600.0)),
    _device("roof", "roof-stays-shut", "it does not open", (300.0, 1800.0)),
    _device("roof", "roof-stops-halfway", "it stops halfway", (60.0, 600.0)),
    _device("roof", "roof-sensor-lies", "its sensor says closed while it is open",
            (60.0, 900.0)),
    _device("weather", "cloud-bands", "bands of cloud pass", (900.0, 7200.0)),
    _device("weather", "rain", "it rains", (300.0, 3600.0)),
    _device("weather", "gust", "wind gusts above the limit", (120.0, 2400.0)),
    _device("weather", "dew", "the air is saturated", (1200.0, 7200.0)),
    _device("weather", "weather-silent", "the sensor says nothing more", (120.0, 1800.0)),
    _device("weather", "weather-stuck", "the sensor repeats its last readings", (600.0, 3600.0)),
)  # fmt: skip

_PROCESS_ROLES = ("camera", "focuser", "guider", "mount", "weather")
_PROCESSES = tuple(
    FaultKind(f"{role}-driver-{name}", "process", role, about, instant, drawn)
    for role in _PROCESS_ROLES
    for name, about, instant, drawn in (
        ("crash", "the driver's process dies", True, (0.0, 0.0)),
        ("hang", "the driver's process stops answering", False, (120.0, 1800.0)),
        ("crash-loop", "the driver's process dies soon after each start", False, (120.0, 1200.0)),
        ("memory", "the driver's process grows until it is ended", False, (300.0, 1800.0)),
    )
)

_BUS = tuple(
    FaultKind(name, "bus", None, about, instant, drawn)
    for name, about, instant, drawn in (
        ("broker-restart", "the broker dies and comes back empty", False, (2.0, 120.0)),
        ("bus-partition", "the daemon is cut off from the devices", False, (5.0, 600.0)),
        ("bus-latency", "messages take seconds", False, (60.0, 1800.0)),
        ("bus-loss", "one message in ten is lost", False, (60.0, 1800.0)),
        ("bus-duplicates", "messages come twice", False, (60.0, 3600.0)),
        ("bus-reordering", "messages overtake each other", False, (60.0, 3600.0)),
        ("retained-lost", "the broker forgets what it had kept", True, (0.0, 0.0)),
    )
)

_HOST = tuple(
    FaultKind(name, "host", None, about, instant, drawn, must_end=name in _ENDS_THE_DAEMON)
    for name, about, instant, drawn in (
        ("daemon-killed", "the daemon dies and is started again", False, (5.0, 900.0)),
        ("power-cut", "daemon, drivers and broker die at once, and come back", False,
         (30.0, 1200.0)),
        ("disk-full", "the disk takes nothing more", False, (60.0, 1200.0)),
        ("disk-read-only", "the disk can only be read", False, (60.0, 1200.0)),
        ("slow-disk", "writing takes many seconds", False, (300.0, 3600.0)),
        ("clock-step-seconds", "the clock of the machine jumps ahead by 7 s", True, (0.0, 0.0)),
        ("clock-step-hours", "the clock of the machine is two hours ahead", False,
         (300.0, 1800.0)),
        ("suspend", "the machine of the daemon sleeps", False, (60.0, 1200.0)),
    )
)  # fmt: skip

_OPERATOR = tuple(
    FaultKind(name, "operator", None, about, True, (0.0, 0.0))
    for name, about in (
        ("bad-orders", "orders with mistakes are given in the middle of the night"),
        ("conflicting-commands", "pause, resume, skip and close come in one breath, the close "
                                 "taken back by none"),
        ("target-removed", "new orders no longer hold the target under way"),
    )
)  # fmt: skip

FAULT_KINDS: dict[str, FaultKind] = {
    kind.name: kind for kind in (*_DEVICES, *_PROCESSES, *_BUS, *_HOST, *_OPERATOR)
}


def fault_roles(roles: Iterable[str]) -> dict[str, str]:
    """Return, for each role that faults are about, the device of a rig that shows them.

    A rig whose guider has its camera inside shows the guide camera's faults there.
    """
    present = tuple(roles)
    shown = {role: role for role in present}
    if "guide_camera" not in shown and "guider" in shown:
        shown["guide_camera"] = "guider"
    return shown


def shown_by(kind: FaultKind, drivers: Mapping[str, str]) -> str | None:
    """Return the role of the simulated device that shows a fault; None where the rig has none.

    A simulated guider is a loop in numbers and shows all faults of guiding by itself. A guider
    that measures cannot be made to fail: its stars vanish in the guide camera, and its mount
    answers it wrongly.

    Args:
        kind: of a fault of a device.
        drivers: of the simulated rig, by role.
    """
    if kind.role not in ("guider", "guide_camera"):
        return kind.role if kind.role in drivers else None
    if drivers.get("guider", "").startswith("simulated-"):
        return "guider"
    if kind.name in ("guide-overcorrection", "guide-calibration-nonsense"):
        return "mount" if "guider" in drivers else None
    return "guide_camera" if "guide_camera" in drivers else None
