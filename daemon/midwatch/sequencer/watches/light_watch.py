"""Whether light reaches the sensor when the shutter is said to be open."""

from __future__ import annotations

import statistics

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.sequencer.decision import NO_LIGHT
from midwatch.sequencer.watches.fault_desk import FaultDesk

__all__ = ["LightWatch", "dark_message"]

# A frame that shows no star and less than this share of the usual noise has not even seen the sky:
# what is left is read-out and dark current. Clouds take stars, but no noise. Higher: a dark sky
# after moonset is taken for a shut shutter; lower: a warm sensor hides one.
_NOISE_SHARE = 0.5
# With so many frames of the same kind it is known what is usual.
_ENOUGH = 2


class LightWatch:
    """Opens the fault of a light path that is shut, and closes it; asked now and then."""

    def __init__(self, record: NightRecord, desk: FaultDesk) -> None:
        self._record = record
        self._desk = desk
        self._seen = ""

    def look(self) -> None:
        """Judge the latest light frame."""
        latest = _latest(self._record)
        if latest is not None and latest.begun.exposure_id != self._seen:
            self._seen = latest.begun.exposure_id
            self._desk.hold("camera", NO_LIGHT, dark_message(latest, self._record))


def dark_message(frame: FrameRecord, record: NightRecord) -> str | None:
    """Say that a light frame is dark compared with earlier ones of its kind; None if it is not.

    A frame whose like was not yet accepted tonight is not judged.
    """
    graded = frame.graded
    if graded is None or graded.noise_adu is None or graded.stars:
        return None
    usual = [
        other.graded.noise_adu
        for other in record.frames.values()
        if other.accepted
        and other.graded is not None
        and other.graded.noise_adu is not None
        and _kind(other) == _kind(frame)
    ]
    if len(usual) < _ENOUGH:
        return None
    usual_adu = statistics.median(usual)
    if graded.noise_adu >= _NOISE_SHARE * usual_adu:
        return None
    return (
        f"a light frame is dark: no star, noise {graded.noise_adu:.1f} ADU where {usual_adu:.1f} "
        "ADU are usual; look whether the shutter opens and whether something covers the telescope"
    )


def _latest(record: NightRecord) -> FrameRecord | None:
    frames = reversed(record.frames.values())
    return next((f for f in frames if f.is_light and f.graded is not None), None)


def _kind(frame: FrameRecord) -> tuple[str | None, float, int, int, int]:
    begun = frame.begun
    return begun.filter, begun.exposure_s, begun.gain, begun.offset, begun.binning
