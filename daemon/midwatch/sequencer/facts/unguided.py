"""How long to expose without guiding, from what this mount has shown tonight.

A star that is drawn out along a line grows in the square of its elongation by the square of the
time, as long as the motion is steady: for a trail of length L on a star of variance s^2 the second
moments along and across are s^2 + L^2 / 12 and s^2 (the variance of an even distribution of that
length), so that elongation^2 - 1 = L^2 / (12 s^2), as long as pixels are taken out of both. What
was measured at one exposure therefore says what another would show.

A worm draws stars out in some parts of its turn only, so all unguided frames of the night count,
and of a short list of lengths that one is taken which brings the most accepted exposure for the
time: frames that are lost now and then are cheaper than frames that are all too short. Few lengths
want few darks.

Frames count towards their order by integration: three of 60 s count as one of 180 s.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.orders.models import FrameOrder, UnguidedOrder
from midwatch.sequencer.decision import FaultView, FrameNeed, Unguided

__all__ = ["frames_left", "lengths_of", "longest_unguided_s", "shortened", "unguided_now"]

# Share of what elongation may grow up to which a frame is accepted; beyond it is doubted, as the
# shipped grader does, and asked for again.
_SOUND = 0.8
# Of the same before much is known of the mount: a frame is planned well inside of the bound.
_AIM = 0.7
# Before anything is known of the mount. Common practice, no source: light mounts of the trade hold
# a short telescope this long.
_START_S = 60.0
# Guided frames that show how round stars are.
_LATEST = 8
# Few frames may have met the calm part of a turn only.
_ENOUGH = 3
# Elongation of round stars where no guided frame shows it; and what noise adds to it.
_ROUND, _NOISE = 1.03, 0.03
# An exposure is at most so many times the longest one that was tried.
_GROWTH = 2.0
# What a frame costs besides its exposure: reading out, measuring, and the read noise that a longer
# one would have had once. Lower: short frames where long ones would do; higher: long ones are tried
# on a worm that spoils them.
_OVERHEAD_S = 15.0
# What the motion of all frames says of a length weighs as much as so many frames of that length.
# Fewer: a few lucky frames of a worm's calm part decide; more: what really happened is not heard.
_BELIEF = 4.0
# Another length must promise so much more before it is taken. Less: lengths change to and fro, and
# each wants its darks; more: a bad choice is kept for long.
_BETTER = 1.1
_FWHM_TO_SIGMA = 2.3548
# Parts into which an ordered exposure is cut: whole ones, so that they add up to a frame; halves of
# halves, so that orders of several lengths share them.
_PARTS = (1, 2, 4, 8, 16, 32, 64)


def unguided_now(
    order: UnguidedOrder,
    faults: Sequence[FaultView],
    record: NightRecord,
    now_s: float,
    longest_s: float,
) -> Unguided | None:
    """Return how the night goes on without guiding; None while guiding may be started.

    Args:
        order: what the user wants done.
        faults: those that are open.
        record: the night so far.
        now_s: POSIX seconds.
        longest_s: longest exposure that keeps stars round.
    """
    holding = [f for f in faults if "guide" in f.blocks and (f.held or f.again_at_s > now_s)]
    if not holding:
        return None
    began_s = min(record.faults[fault.fault_id].began_at_utc_s for fault in holding)
    patient = order.do == "go_on" or now_s - began_s < 60.0 * order.after_min
    return Unguided(
        do="go_on" if patient else order.do,
        longest_s=max(longest_s, order.shortest_exposure_s),
        shortest_s=order.shortest_exposure_s,
        reason=holding[0].message,
        again_at_s=max(f.again_at_s for f in holding),
    )


def longest_unguided_s(
    record: NightRecord,
    max_elongation: float,
    blur_60s_arcsec: float | None,
    lengths_s: Sequence[float],
) -> float:
    """Return the length of the list that brings the most accepted exposure, seconds.

    Args:
        record: the night so far: unguided frames and their elongations say it best.
        max_elongation: the bound of the grading.
        blur_60s_arcsec: RMS blur that a minute without corrections would leave, as the guider has
            estimated it while it guided; None where it has not.
        lengths_s: to choose from (see `lengths_of`); at least one.
    """
    lights = [f for f in record.frames.values() if f.is_light and f.graded is not None]
    guided = [f for f in lights if f.graded is not None and f.graded.guided][-_LATEST:]
    unguided = [f for f in lights if _shows_the_mount(f)]
    round_ = _typical((f.graded.elongation for f in guided if f.graded), _ROUND)
    most_s = math.inf
    if unguided:
        most_s = _GROWTH * max(frame.begun.exposure_s for frame in unguided)
    if len(unguided) < _ENOUGH:
        allowed = _allowed(_AIM, max_elongation, round_)
        most_s = min(most_s, _forecast_s(guided, allowed, blur_60s_arcsec))
        if unguided:
            rates = [_growth(frame, round_, max_elongation) for frame in unguided]
            most_s = min(most_s, math.sqrt(allowed / max(rates)))
    possible = [s for s in lengths_s if s <= most_s + 1e-6] or [min(lengths_s)]
    if len(unguided) < _ENOUGH:
        return max(possible)
    seen = [
        _Motion(f.begun.exposure_s, _growth(f, round_, max_elongation), _squared(f) - round_**2)
        for f in unguided
    ]
    allowed = _allowed(_SOUND, max_elongation, round_)
    worth = {s: _worth(s, seen, allowed) for s in sorted(possible)}
    best_s = max(worth, key=lambda s: worth[s])
    last_s = unguided[-1].begun.exposure_s
    last = next((s for s in worth if math.isclose(s, last_s, rel_tol=1e-6)), None)
    return last if last is not None and worth[best_s] < _BETTER * worth[last] else best_s


@dataclass(frozen=True, slots=True)
class _Motion:
    """What a frame shows of the mount: how fast stars were drawn out (`_growth`), and how far."""

    exposure_s: float
    growth: float
    drawn: float


def _worth(length_s: float, seen: Sequence[_Motion], allowed: float) -> float:
    """Return the accepted share of the time that frames of a length should bring.

    What the motion seen in all frames would have done to one of that length, and what became of
    those that had it, whatever else was wrong with them.
    """
    whole_s = held_s = 0.0
    alike = good = 0
    for motion in seen:
        whole_s += motion.exposure_s
        if motion.growth * length_s**2 <= allowed:
            held_s += motion.exposure_s
        if math.isclose(motion.exposure_s, length_s, rel_tol=1e-6):
            alike += 1
            good += motion.drawn <= allowed
    share = (_BELIEF * held_s / whole_s + good) / (_BELIEF + alike)
    return share * length_s / (length_s + _OVERHEAD_S)


def _squared(frame: FrameRecord) -> float:
    assert frame.graded is not None and frame.graded.elongation is not None
    return frame.graded.elongation**2


def _allowed(share: float, max_elongation: float, round_: float) -> float:
    """Return what the squared elongation may grow to, over that of round stars."""
    return max((1.0 + share * (max_elongation - 1.0)) ** 2 - round_**2, 0.01)


def lengths_of(ordered_s: Iterable[float], shortest_s: float) -> tuple[float, ...]:
    """Return the lengths that unguided frames of some orders can have, longest first."""
    found = {
        length
        for length in ordered_s
        for length in [length / part for part in _PARTS if length / part >= shortest_s] or [length]
    }
    return tuple(sorted(found, reverse=True))


def _shows_the_mount(frame: FrameRecord) -> bool:
    """Return whether a frame was exposed without any guiding and shows how the mount tracks."""
    graded = frame.graded
    if graded is None or graded.guided or graded.guide_lost_percent is not None:
        return False
    return graded.elongation is not None


def _growth(frame: FrameRecord, round_: float, max_elongation: float) -> float:
    """Return how fast the squared elongation grows with the squared time, 1/s^2."""
    assert frame.graded is not None
    seen = frame.graded.elongation
    assert seen is not None
    # What noise may hide: else a quiet frame would allow any length.
    least = (round_ + _NOISE) ** 2 - round_**2
    # Far beyond the bound trails cross the edge of what is measured as a star, and look shorter.
    grown = min(seen, 2.0 * max_elongation) ** 2 - round_**2
    return max(grown, least) / frame.begun.exposure_s**2


def _forecast_s(
    guided: Sequence[FrameRecord], allowed: float, blur_60s_arcsec: float | None
) -> float:
    widths = [f.graded.fwhm_arcsec for f in guided if f.graded and f.graded.fwhm_arcsec]
    if not blur_60s_arcsec or not widths:
        return _START_S
    sigma_arcsec = statistics.median(widths) / _FWHM_TO_SIGMA
    return 60.0 * math.sqrt(allowed) * sigma_arcsec / blur_60s_arcsec


def _typical(values: Iterable[float | None], default: float) -> float:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else default


def shortened(needs: tuple[FrameNeed, ...], unguided: Unguided | None) -> tuple[FrameNeed, ...]:
    """Return needs with the exposures that can be had without guiding."""
    if unguided is None:
        return needs
    return tuple(replace(n, exposure_s=_part_s(n.exposure_s, unguided)) for n in needs)


def _part_s(ordered_s: float, unguided: Unguided) -> float:
    possible = [p for p in _PARTS if ordered_s / p >= unguided.shortest_s] or [1]
    fitting = [p for p in possible if ordered_s / p <= unguided.longest_s + 1e-6]
    return ordered_s / (fitting[0] if fitting else possible[-1])


def frames_left(record: NightRecord, target: str, index: int, order: FrameOrder) -> int:
    """Return how many whole frames of an order are still wanted.

    What counts, and what may come to count, is added up by integration time.
    """
    taken_s = sum(
        frame.begun.exposure_s
        for frame in record.frames.values()
        if frame.order_index == index
        and frame.begun.target == target
        and frame.is_light
        and (frame.counts or frame.pending)
    )
    return math.ceil(order.count - taken_s / order.exposure_s - 1e-6)
