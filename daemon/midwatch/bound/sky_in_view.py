"""When targets are behind trees that the site's horizon does not know; a clairvoyant does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from midwatch.bound.timetable import Place
from midwatch.sky import FloatArray, Horizon, Motion, Observer, TreeLine

__all__ = ["SkyInView"]

_STEP_S = 30.0
# Share of the stars past the edge of trees from which on a frame may pass, if there is none yet to
# compare it with. Higher: a night may have more than the bound.
_ENOUGH_OPEN = 0.1


@dataclass(frozen=True)
class SkyInView:
    """What can be seen from a site.

    Attributes:
        observer: the site.
        in_the_way: what hides the sky: sharp upper edges, and trees.
    """

    observer: Observer
    in_the_way: Sequence[Horizon | TreeLine]

    def of(self, place: Place, motion: Motion) -> Place:
        """Return a place less the time in which its target is hidden.

        An exposure of which half is in the open may be good.
        """
        slack_s = 0.5 * max(place.lengths_s)
        spans: list[tuple[float, float]] = []
        for start, end in place.spans_utc_s:
            moments = np.append(np.arange(start, end, _STEP_S), end)
            at = self.observer.altaz(*motion.positions_at(moments), moments)
            free = np.all([_free(one, at.az_deg, at.alt_deg) for one in self.in_the_way], axis=0)
            edges = np.flatnonzero(np.diff(np.concatenate(([False], free, [False])).astype(int)))
            for first, last in zip(edges[::2], edges[1::2], strict=True):
                begins = max(start, float(moments[first]) - slack_s)
                ends = min(end, float(moments[last - 1]) + slack_s)
                if spans and begins <= spans[-1][1]:
                    begins = spans.pop()[0]
                spans.append((begins, ends))
        return replace(place, spans_utc_s=tuple(spans))


def _free(one: Horizon | TreeLine, az_deg: FloatArray, alt_deg: FloatArray) -> NDArray[np.bool_]:
    if isinstance(one, TreeLine):
        return one.open_share(az_deg, alt_deg) >= _ENOUGH_OPEN
    return alt_deg > one.altitude_deg(az_deg)
