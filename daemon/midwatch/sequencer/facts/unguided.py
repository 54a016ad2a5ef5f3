"""How long to expose without guiding, from what this mount has shown tonight.

A star that is drawn out along a line grows in the square of its elongation by the square of the
time, as long as the motion is steady: for a trail of length L on a star of variance s^2 the second
moments along and across are s^2 + L^2 / 12 and s^2 (the variance of an even distribution of that
length), so that elongation^2 - 1 = L^2 / (12 s^2), as long as pixels are taken out of both. What
was measured at one exposure therefore says what another would show.

Frames count towards their order by integration: three of 60 s count as one of 180 s.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import replace

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.orders.models import FrameOrder, UnguidedOrder
from midwatch.sequencer.decision import FaultView, FrameNeed, Unguided

__all__ = ["frames_left", "longest_unguided_s", "shortened", "unguided_now"]

# Share of what elongation may grow that unguided frames are planned for. Frames near the bound are
# doubted and asked for again; shorter ones lose more time to reading out.
_AIM = 0.7
# Before anything is known of the mount. Common practice, no source: light mounts of the trade hold
# a short telescope this long.
_START_S = 60.0
# So many of the latest unguided frames count; the longest-drawn of them is used, since a worm draws
# stars out in some parts of its turn only. Fewer meet its bad parts unprepared; more keep a gust.
_LATEST = 8
# Few frames may have met the calm part of a turn only.
_ENOUGH = 3
# Elongation of round stars where no guided frame shows it; and what noise adds to it.
_ROUND, _NOISE = 1.03, 0.03
# An exposure is at most so many times the last one.
_GROWTH = 2.0
_FWHM_TO_SIGMA = 2.3548
# Parts into which an ordered exposure is cut: whole ones, so that they add up to a frame, and few
# lengths, so that few darks are needed.
_PARTS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 24, 30, 40, 60)


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
    record: NightRecord, max_elongation: float, blur_60s_arcsec: float | None
) -> float:
    """Return the longest exposure that keeps stars inside the elongation bound, seconds.

    Args:
        record: the night so far: unguided frames and their elongations say it best.
        max_elongation: the bound of the grading.
        blur_60s_arcsec: RMS blur that a minute without corrections would leave, as the guider has
            estimated it while it guided; None where it has not.
    """
    lights = [f for f in record.frames.values() if f.is_light and f.graded is not None]
    guided = [f for f in lights if f.graded is not None and f.graded.guided][-_LATEST:]
    unguided = [f for f in lights if _shows_the_mount(f)][-_LATEST:]
    round_ = _typical((f.graded.elongation for f in guided if f.graded), _ROUND)
    rig_history = 1.0 + _AIM * (max_elongation - 1.0)
    allowed = max(rig_history**2 - round_**2, 0.01)
    rates = [_growth(frame, round_, max_elongation) for frame in unguided]
    longest_s = math.inf
    if rates:
        longest_s = min(math.sqrt(allowed / max(rates)), _GROWTH * unguided[-1].begun.exposure_s)
    if len(rates) < _ENOUGH:
        longest_s = min(longest_s, _forecast_s(guided, allowed, blur_60s_arcsec))
    return longest_s


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
