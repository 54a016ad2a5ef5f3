"""Shrinking: the fewest and shortest faults under which a night still breaks its promise."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from midwatch.orders.injected import ScheduledFault

__all__ = ["shrink"]

# A fault is not made shorter than this.
_SHORTEST_S = 10.0
# One that lasts for good is tried with this, as the first step.
_LONG_S = 7200.0

Faults = tuple[ScheduledFault, ...]
Breaks = Callable[[Faults], bool]


def shrink(faults: Sequence[ScheduledFault], breaks: Breaks) -> Faults:
    """Return faults that still break a night, none of which can be left out or halved.

    First all but one half, then single ones are left out (delta debugging; Zeller and Hildebrandt,
    IEEE Transactions on Software Engineering 28, 2002, from memory), then those left are halved in
    length as long as the night breaks. Nothing is tried twice, and chance plays no part.

    Args:
        faults: under which the night breaks.
        breaks: says whether it does under fewer or shorter ones.
    """
    known: dict[Faults, bool] = {tuple(faults): True}

    def still(tried: Faults) -> bool:
        if tried not in known:
            known[tried] = breaks(tried)
        return known[tried]

    left = _fewest(tuple(faults), still)
    for index in range(len(left)):
        while (shorter := _shorter(left[index])) is not None:
            tried = (*left[:index], shorter, *left[index + 1 :])
            if not still(tried):
                break
            left = tried
    return left


def _fewest(faults: Faults, still: Breaks) -> Faults:
    parts = 2
    while len(faults) > 1:
        size = math.ceil(len(faults) / parts)
        chunks = [faults[i : i + size] for i in range(0, len(faults), size)]
        smaller = next((chunk for chunk in chunks if still(chunk)), None)
        if smaller is not None:
            faults, parts = smaller, 2
            continue
        rests = [
            tuple(f for j, chunk in enumerate(chunks) if j != i for f in chunk)
            for i in range(len(chunks))
        ]
        rest = next((rest for rest in rests if len(chunks) > 2 and still(rest)), None)
        if rest is not None:
            faults, parts = rest, max(parts - 1, 2)
        elif size == 1:
            break
        else:
            parts = min(len(faults), 2 * parts)
    if len(faults) == 1 and still(()):
        return ()
    return faults


def _shorter(fault: ScheduledFault) -> ScheduledFault | None:
    lasts_s = fault.until_utc_s - fault.from_utc_s
    half_s = _LONG_S if math.isinf(lasts_s) else float(lasts_s // 2.0)
    if half_s < _SHORTEST_S:
        return None
    return replace(fault, until_utc_s=fault.from_utc_s + half_s)
