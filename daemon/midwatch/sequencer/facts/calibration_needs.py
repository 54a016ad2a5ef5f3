"""Which calibration frames match the lights of a night and are still wanted."""

from __future__ import annotations

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.orders.reading import Night
from midwatch.sequencer.decision import CalibrationNeed


def calibration_needs(night: Night, record: NightRecord) -> tuple[CalibrationNeed, ...]:
    """Return the sets that are still wanted: flats by filter, darks by exposure, bias.

    Only settings with which lights were really taken tonight are matched. Flats come first: the
    focuser is still where it was for the lights.
    """
    order = night.orders.calibration
    lights = [f.begun for f in record.frames.values() if f.is_light and _is_had(f)]
    needs: list[CalibrationNeed] = []
    settings = sorted({(b.gain, b.offset, b.binning) for b in lights})
    has_panel = night.rig.devices.flat_panel is not None
    for gain, offset, binning in settings:
        same = [b for b in lights if (b.gain, b.offset, b.binning) == (gain, offset, binning)]
        if has_panel:
            for name in sorted({b.filter for b in same}, key=lambda f: f or ""):
                left = order.flats - _taken(record, "flat", name, None, gain)
                needs.append(CalibrationNeed("flat", name, 0.0, gain, offset, binning, left))
        for exposure_s in sorted({b.exposure_s for b in same}):
            left = order.darks - _taken(record, "dark", None, exposure_s, gain)
            needs.append(CalibrationNeed("dark", None, exposure_s, gain, offset, binning, left))
        left = order.bias - _taken(record, "bias", None, None, gain)
        needs.append(CalibrationNeed("bias", None, 0.0, gain, offset, binning, left))
    return tuple(need for need in needs if need.remaining > 0)


def _taken(
    record: NightRecord, frame: str, filter_name: str | None, exposure_s: float | None, gain: int
) -> int:
    def matches(taken: FrameRecord) -> bool:
        begun = taken.begun
        return (
            _is_had(taken)
            and begun.frame == frame
            and begun.filter == filter_name
            and begun.gain == gain
            and (exposure_s is None or begun.exposure_s == exposure_s)
        )

    return sum(matches(taken) for taken in record.frames.values())


def _is_had(frame: FrameRecord) -> bool:
    """Return whether a frame is on the disk, or waits in the camera's spool for room there."""
    return frame.filed is not None or (frame.read is not None and frame.lost is None)
