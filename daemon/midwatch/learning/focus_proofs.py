"""Whether the focus model has proven its predictions: what it expected, and what runs found."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from midwatch.learning.focus_points import FocusPoint, FocusScale

__all__ = ["proofs", "trust"]

# A run confirms what was foretold within this share of the zone, half of which is its edge. Less:
# the scatter of runs passes for a miss; more: lights are beyond the zone while all seems well.
_CONFIRMED_ZONES = 0.25
# A run says something of the model if focus was expected to move, or did, by this share of the
# zone, or the probe by so many degrees since the run before. Less: runs in quick succession prove
# anything; more: good predictions go unnoticed.
_TELLING_ZONES, _TELLING_C = 0.2, 1.0
# So many telling runs in a row, the latest, must have confirmed it. Fewer: luck; more: a first
# night goes by without the model's help.
_IN_A_ROW = 2
_FEWEST_RUNS = 4


def proofs(points: Sequence[FocusPoint], scale: FocusScale) -> tuple[bool, ...]:
    """Return for each telling run, oldest first, whether it found focus where it was foretold.

    The first run of a night tells nothing: the rig may have been set up afresh.
    """
    confirmed: list[bool] = []
    for before, point in pairwise(points):
        if before.night != point.night or point.foretold is None:
            continue
        declared = scale.declared
        turned = declared.get(point.filter or "", 0) - declared.get(before.filter or "", 0)
        start = before.position + turned
        moved = max(abs(point.foretold - start), abs(point.position - start))
        telling = moved >= _TELLING_ZONES * scale.zone_steps
        if not telling and abs(point.temperature_c - before.temperature_c) < _TELLING_C:
            continue
        missed_by = abs(point.position - point.foretold)
        confirmed.append(missed_by <= _CONFIRMED_ZONES * scale.zone_steps)
    return tuple(confirmed)


def trust(points: Sequence[FocusPoint], scale: FocusScale) -> tuple[bool, str]:
    """Say whether the model may be followed, and why."""
    if len(points) < _FEWEST_RUNS:
        return False, f"fewer than {_FEWEST_RUNS} runs"
    confirmed = proofs(points, scale)
    right = sum(confirmed)
    if not confirmed:
        return False, "no run has tried its predictions yet"
    text = f"{right} of {len(confirmed)} predictions confirmed by the next run"
    if len(confirmed) < _IN_A_ROW or not all(confirmed[-_IN_A_ROW:]):
        return False, f"{text}; the latest {_IN_A_ROW} must be"
    return True, text
