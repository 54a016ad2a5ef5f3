"""Light frames that are darker than a sky can be."""

from __future__ import annotations

import statistics

from midwatch.journal.record import FrameRecord, NightRecord

__all__ = ["dark_message", "latest_lights"]

# A frame that shows no star and less than this share of the usual noise has not even seen the sky:
# what is left is read-out and dark current. Clouds take stars, but no noise. Higher: a dark sky
# after moonset is taken for a shut shutter; lower: a warm sensor hides one.
_NOISE_SHARE = 0.5
# The same near the horizon, where trees take most of the sky's light, but send on some of it.
_BLACK_SHARE = 0.25
# With so many frames of the same kind it is known what is usual.
_ENOUGH = 2


def dark_message(frame: FrameRecord, record: NightRecord, *, low: bool) -> str | None:
    """Say that a light frame is dark compared with earlier ones of its kind; None if it is not.

    A frame whose like was not yet accepted tonight is not judged. One that was taken ``low`` must
    be darker than trees are.
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
    if graded.noise_adu >= (_BLACK_SHARE if low else _NOISE_SHARE) * usual_adu:
        return None
    return (
        f"a light frame is dark: no star, noise {graded.noise_adu:.1f} ADU where {usual_adu:.1f} "
        "ADU are usual; look whether the shutter opens and whether something covers the telescope"
    )


def latest_lights(record: NightRecord, count: int) -> list[FrameRecord]:
    """Return the last light frames that were graded, the latest first."""
    found: list[FrameRecord] = []
    for frame in reversed(record.frames.values()):
        if len(found) == count:
            break
        if frame.is_light and frame.graded is not None:
            found.append(frame)
    return found


def _kind(frame: FrameRecord) -> tuple[str | None, float, int, int, int]:
    begun = frame.begun
    return begun.filter, begun.exposure_s, begun.gain, begun.offset, begun.binning
