"""Which calibration frames match the lights of a night and are still wanted.

Lights and calibration frames match where gain, offset and binning are the same; flats where the
filter is, darks where the exposure is and the sensor was as warm. Nobody can say beforehand how
warm: a cooler may give way in the middle of a night. So lights are put into groups by what the
camera said of each, and each group gets its darks.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Iterator, Sequence
from typing import TypeAlias

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.orders.reading import Night
from midwatch.sequencer.decision import CalibrationNeed

__all__ = ["calibration_needs", "temperature_groups"]

Setting: TypeAlias = tuple[int, int, int]

# A group reaches so much of the tolerance from its middle: its darks are off by something too.
_GROUP_SHARE = 0.75


def calibration_needs(night: Night, record: NightRecord) -> tuple[CalibrationNeed, ...]:
    """Return the sets that are still wanted: flats by filter, darks by exposure, bias.

    Only settings with which lights were really taken tonight are matched, and what was skipped is
    left out. Flats come first: the focuser is still where it was for the lights. Then darks, the
    coldest first: a sensor warms up readily.
    """
    order = night.orders.calibration
    within_c = night.rig.grading.max_sensor_off_c
    had = [frame for frame in record.frames.values() if _is_had(frame)]
    # What no dark can match, whatever its temperature, asks for none.
    lights = [f for f in had if f.is_light and not (f.graded is not None and f.graded.beyond_darks)]
    # Darks into which light fell are none.
    others = [f for f in had if not f.is_light and (f.graded is None or f.accepted)]
    settings = sorted({_setting(frame) for frame in lights})
    groups = {s: [f for f in lights if _setting(f) == s] for s in settings}
    needs: list[CalibrationNeed] = []
    if night.rig.devices.flat_panel is not None:
        for setting, alike in groups.items():
            needs += _flats(setting, alike, others, order.flats)
    darks = [
        need
        for setting, alike in groups.items()
        for need in _darks(setting, alike, others, order.darks, within_c)
    ]
    needs += sorted(darks, key=lambda need: (need.sensor_c is None, need.sensor_c or 0.0))
    for setting in settings:
        taken = sum(f.begun.frame == "bias" and _setting(f) == setting for f in others)
        needs.append(CalibrationNeed("bias", None, 0.0, *setting, order.bias - taken))
    return tuple(n for n in needs if n.remaining > 0 and not _skipped(n, record, within_c))


def _flats(
    setting: Setting, lights: Sequence[FrameRecord], others: Sequence[FrameRecord], wanted: int
) -> Iterator[CalibrationNeed]:
    for name in sorted({f.begun.filter for f in lights}, key=lambda f: f or ""):
        taken = sum(
            f.begun.frame == "flat" and f.begun.filter == name and _setting(f) == setting
            for f in others
        )
        yield CalibrationNeed("flat", name, 0.0, *setting, wanted - taken)


def _darks(
    setting: Setting,
    lights: Sequence[FrameRecord],
    others: Sequence[FrameRecord],
    wanted: int,
    within_c: float,
) -> Iterator[CalibrationNeed]:
    for exposure_s in sorted({f.begun.exposure_s for f in lights}):
        alike = [f for f in lights if f.begun.exposure_s == exposure_s]
        taken = [
            f
            for f in others
            if (f.begun.frame, f.begun.exposure_s, _setting(f)) == ("dark", exposure_s, setting)
        ]
        for sensor_c in temperature_groups((f.sensor_c for f in alike), within_c):
            near = sum(_near(f.sensor_c, sensor_c, within_c) for f in taken)
            yield CalibrationNeed("dark", None, exposure_s, *setting, wanted - near, sensor_c)


def temperature_groups(
    sensors_c: Iterable[float | None], within_c: float
) -> tuple[float | None, ...]:
    """Return temperatures for darks, as few as will do, coldest first.

    Args:
        sensors_c: of the lights, degrees Celsius; None where the camera did not say.
        within_c: how far a dark may be away.

    Returns:
        The middles of groups; None as well where there were lights of unknown temperature. The
        group with the most lights is made first, so that most are met closely.
    """
    given = list(sensors_c)
    left = sorted(c for c in given if c is not None)
    reach_c = _GROUP_SHARE * within_c
    found: list[float | None] = []
    while left:
        middle = max(left, key=lambda c: (sum(abs(c - other) <= reach_c for other in left), -c))
        group = [c for c in left if abs(c - middle) <= reach_c]
        found.append(round(statistics.median(group), 1))
        left = [c for c in left if abs(c - middle) > reach_c]
    found.sort(key=lambda c: c or 0.0)
    return (*found, None) if None in given else tuple(found)


def _setting(frame: FrameRecord) -> Setting:
    return frame.begun.gain, frame.begun.offset, frame.begun.binning


def _near(one_c: float | None, other_c: float | None, within_c: float) -> bool:
    """Return whether two temperatures match; what is not known matches anything."""
    return one_c is None or other_c is None or abs(one_c - other_c) <= within_c


def _skipped(need: CalibrationNeed, record: NightRecord, within_c: float) -> bool:
    return any(
        (s.frame, s.filter, s.exposure_s, s.gain, s.offset, s.binning)
        == (need.frame, need.filter, need.exposure_s, need.gain, need.offset, need.binning)
        and _near(s.sensor_c, need.sensor_c, within_c)
        for s in record.calibration_skipped
    )


def _is_had(frame: FrameRecord) -> bool:
    """Return whether a frame is on the disk, or waits in the camera's spool for room there."""
    return frame.filed is not None or (frame.read is not None and frame.lost is None)
