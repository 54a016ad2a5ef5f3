"""How much of what was ordered has been taken: one count for summary, status, page and progress."""

from __future__ import annotations

import math
from collections.abc import Iterable

from midwatch.journal.record.night_record import NightRecord
from midwatch.journal.record.record_parts import FrameRecord

__all__ = ["counted_s", "lights_so_far", "whole_frames"]

# Shares of a frame that add up to a whole one but for rounding do so.
_NEARLY = 1e-3


def whole_frames(lights: Iterable[FrameRecord], ordered_s: float) -> int:
    """Return how many frames of an ordered exposure these come to; shorter ones count in part."""
    shares = (min(1.0, f.exposure_s / ordered_s) for f in lights if f.counts)
    return math.floor(sum(shares) + _NEARLY)


def lights_so_far(record: NightRecord, target: str | None = None) -> tuple[int, int]:
    """Return how many frames count and how many are wanted, by the orders in force.

    More than was ordered of a kind counts as what was ordered. Targets that were taken out of the
    orders are wanted no more, and their frames are not counted here.

    Args:
        record: of the night, since its beginning.
        target: this one alone; all by default.
    """
    got = wanted = 0
    for name, plan in record.planned.items():
        if name in record.withdrawn or (target is not None and name != target):
            continue
        for index, (_, ordered_s, count) in enumerate(plan.wanted):
            lights = _lights(record, name, index)
            got += min(count, whole_frames(lights, ordered_s))
            wanted += count
    return got, wanted


def counted_s(record: NightRecord, target: str) -> float:
    """Return the integration of a target's frames that count, seconds."""
    wanted = record.planned[target].wanted
    return math.fsum(
        frame.exposure_s
        for index in range(len(wanted))
        for frame in _lights(record, target, index)
        if frame.counts
    )


def _lights(record: NightRecord, target: str, index: int) -> list[FrameRecord]:
    key = (target, index)
    return [f for f in record.frames.values() if f.is_light and f.order_key == key]
