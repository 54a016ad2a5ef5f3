"""The horizon that the frames themselves show, learned over nights.

Where stars are gone again and again in one direction below some altitude, while the sky is clear
elsewhere, something is in the way that the site's horizon does not know. It is proposed, with
its evidence, and never taken over by itself.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from midwatch.journal.facts import (
    Centred,
    FaultBegan,
    FrameBegun,
    FrameGraded,
    FrameRead,
    NightBegan,
    Sample,
    TargetPlanned,
)
from midwatch.journal.store import Event
from midwatch.sky import Horizon, Observer

__all__ = ["SeenBin", "horizon_text", "learn_horizon", "proposed_horizon"]

BIN_DEG = 5.0
# Shares of the usual number of stars: below the first a frame saw practically none, above the
# second it saw the sky; between them it says nothing.
_HIDDEN_SHARE, _SEEN_SHARE = 0.25, 0.5
_USUAL_QUANTILE = 0.8
_FEWEST_STARS = 20  # below this a usual number says nothing
# Evidence against cloud: frames of another direction at about the same time, or a sensor.
_ABOUT_S = 2400.0
_ELSEWHERE_DEG = 15.0
_CLEAR_PERCENT = 30.0
_SAMPLE_AGE_S = 900.0
# What a failed centring said of a field without stars; with any other diagnosis it was not the sky.
_NO_STARS = (None, "hidden", "clouds")
# What must come together before anything is proposed. Fewer nights: one night's cloud bank passes
# for a tree; more: a season's frames are lost first.
_NIGHTS, _TIMES = 2, 3
_CONTRADICTION = 0.2
# A proposal reaches this far above the highest hidden frame where no frame higher up says less.
_ABOVE_DEG = 1.0


@dataclass(frozen=True, slots=True)
class SeenBin:
    """What frames saw in one range of azimuth.

    Attributes:
        hidden: Frames without stars that cloud does not explain; seen: frames with stars.
        nights: On which any were hidden.
        hidden_to_deg: Highest altitude of the hidden frames that the proposal explains.
        seen_from_deg: Lowest altitude of a frame with stars above that.
        declared_deg: The site's horizon here, at its highest.
        proposed_deg: What it should be; None where the evidence is too thin, or nothing is hidden.
    """

    az_from_deg: float
    az_to_deg: float
    hidden: int
    seen: int
    nights: int
    hidden_to_deg: float | None
    seen_from_deg: float | None
    declared_deg: float
    proposed_deg: float | None


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at the sky: where, when, and whether stars were there."""

    night: str
    at_utc_s: float
    az_deg: float
    alt_deg: float
    seen: bool


def learn_horizon(
    events: Iterable[Event], observer: Observer, horizon: Horizon
) -> tuple[SeenBin, ...]:
    """Return what the frames of all nights show of the horizon, by azimuth from north.

    Args:
        events: Of any number of nights at one site, in the order of the journal. Nights at other
            sites than that of the last are passed over.
        observer: The site.
        horizon: As the site file declares it.

    Returns:
        The ranges of azimuth in which any frame was hidden; none where nothing was.
    """
    events = _of_last_site(list(events))
    looks = _looks(events, observer)
    clear = _Clear(events, looks)
    certain = [look for look in looks if look.seen or clear.at(look)]
    bins: dict[int, list[_Look]] = {}
    for look in certain:
        bins.setdefault(int(look.az_deg % 360.0 // BIN_DEG), []).append(look)
    return tuple(
        _bin(number, bins[number], horizon)
        for number in sorted(bins)
        if any(not look.seen for look in bins[number])
    )


def proposed_horizon(bins: Sequence[SeenBin], horizon: Horizon) -> Horizon | None:
    """Return the site's horizon raised by what was learned, nowhere lower; None without proposal.

    Between two points a horizon is linear, so the ends of each raised range, points just outside
    of them and the site's own points inside together are at or above both.
    """
    raised = [b for b in bins if b.proposed_deg is not None]
    if not raised:
        return None
    azimuths = {az for az, _ in horizon.points}
    for one in raised:
        azimuths |= {one.az_from_deg, one.az_to_deg - 0.1}
        azimuths |= {(one.az_from_deg - 0.1) % 360.0, one.az_to_deg % 360.0}
    points = {}
    for azimuth in sorted(azimuths):
        inside = [
            b.proposed_deg
            for b in raised
            if b.proposed_deg is not None and b.az_from_deg <= azimuth < b.az_to_deg
        ]
        points[azimuth] = max([horizon.altitude_at(azimuth), *inside])
    return Horizon.from_pairs(points.items())


def horizon_text(proposal: Horizon, bins: Sequence[SeenBin]) -> str:
    """Return a horizon file with a proposal and, as comments, its evidence."""
    lines = [
        "# Proposed horizon: azimuth, altitude, both in degrees. The site's own, raised where",
        "# frames saw no stars. Look at it, then name it in the site file: Midwatch does not.",
    ]
    lines += [
        f"# {b.az_from_deg:.0f} to {b.az_to_deg:.0f}: {b.hidden} frames hidden up to "
        f"{b.hidden_to_deg:.1f}, on {b.nights} nights; declared {b.declared_deg:.1f}"
        for b in bins
        if b.proposed_deg is not None and b.hidden_to_deg is not None
    ]
    # Altitudes are rounded up, so that no digit left out lowers the site's horizon.
    lines += [
        f"{azimuth:8.3f} {math.ceil(altitude * 1000.0 - 1e-6) / 1000.0:7.3f}"
        for azimuth, altitude in proposal.points
    ]
    return "\n".join(lines) + "\n"


def _of_last_site(events: list[Event]) -> list[Event]:
    sites = {e.night: e.fact.site for e in events if isinstance(e.fact, NightBegan)}
    last = next(reversed(sites.values()), None)
    return [event for event in events if sites.get(event.night) == last]


def _looks(events: Sequence[Event], observer: Observer) -> list[_Look]:
    """Return every light frame and centring that shows whether stars were there."""
    planned: dict[tuple[str, str], TargetPlanned] = {}
    begun: dict[str, FrameBegun] = {}
    read: dict[str, FrameRead] = {}
    counts: dict[tuple[str | None, str | None, float, int], list[int]] = {}
    found: list[tuple[str, float, str, bool | int, FrameBegun | None]] = []
    for event in events:
        fact = event.fact
        if isinstance(fact, TargetPlanned):
            planned[event.night, fact.target] = fact
        elif isinstance(fact, FrameBegun):
            begun[fact.exposure_id] = fact
        elif isinstance(fact, FrameRead):
            read[fact.exposure_id] = fact
        elif isinstance(fact, FrameGraded) and fact.exposure_id in begun:
            frame, shot = begun[fact.exposure_id], read.get(fact.exposure_id)
            at_s = event.at_utc_s if shot is None else shot.began_utc_s + shot.exposure_s / 2.0
            counts.setdefault(_kind(frame), []).append(fact.stars or 0)
            found.append((event.night, at_s, frame.target or "", fact.stars or 0, frame))
        elif isinstance(fact, Centred | FaultBegan):
            found += [
                (event.night, event.at_utc_s, fact.target or "", seen, None)
                for seen in _looked(fact)
            ]
    usual = {k: float(np.quantile(stars, _USUAL_QUANTILE)) for k, stars in counts.items()}
    by_target: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for night, at_s, target, what, of in found:
        seen = what if isinstance(what, bool) else _stars_seen(what, usual[_kind(of)])
        if seen is not None and (night, target) in planned:
            by_target.setdefault((night, target), []).append((at_s, seen))
    looks = []
    for (night, target), looked in by_target.items():
        plan = planned[night, target]
        moments = np.array([at_s for at_s, _ in looked])
        place = observer.altaz(*plan.motion.positions_at(moments), moments)
        azimuths, altitudes = np.asarray(place.az_deg).tolist(), np.asarray(place.alt_deg).tolist()
        for (at_s, seen), az, alt in zip(looked, azimuths, altitudes, strict=True):
            looks.append(_Look(night, at_s, az, alt, seen))
    return looks


def _looked(fact: Centred | FaultBegan) -> tuple[bool, ...]:
    """Return whether stars were seen, for each look at a target that a fact rests on."""
    if isinstance(fact, FaultBegan):
        # It rests on two frames, or on one and the guide star.
        return (False, False) if fact.fault == "hidden" else ()
    if fact.ok:
        return (True,)
    return (False,) if fact.error_arcsec is None and fact.diagnosis in _NO_STARS else ()


def _kind(frame: FrameBegun | None) -> tuple[str | None, str | None, float, int]:
    assert frame is not None
    return frame.target, frame.filter, frame.exposure_s, frame.binning


def _stars_seen(stars: int, usual: float) -> bool | None:
    if usual < _FEWEST_STARS:
        return None
    share = stars / usual
    return True if share >= _SEEN_SHARE else False if share < _HIDDEN_SHARE else None


class _Clear:
    """Says whether cloud can be ruled out where a frame saw nothing."""

    def __init__(self, events: Sequence[Event], looks: Sequence[_Look]) -> None:
        covers = [
            (event.at_utc_s, event.fact.cloud_percent)
            for event in events
            if isinstance(event.fact, Sample) and event.fact.cloud_percent is not None
        ]
        self._covers = sorted(covers)
        self._looks = sorted(looks, key=lambda look: look.at_utc_s)
        self._times = [look.at_utc_s for look in self._looks]

    def at(self, look: _Look) -> bool:
        """Return True if a sensor, or frames of other directions, say that it was clear.

        A sensor that says otherwise is believed.
        """
        cover = self._cover_percent(look.at_utc_s)
        if cover is not None:
            return cover <= _CLEAR_PERCENT
        first = bisect_left(self._times, look.at_utc_s - _ABOUT_S)
        last = bisect_right(self._times, look.at_utc_s + _ABOUT_S)
        about = self._looks[first:last]
        elsewhere = [other for other in about if _apart_deg(other, look) >= _ELSEWHERE_DEG]
        seen = [other.at_utc_s for other in about if other.seen]
        # A cloud that comes or goes has stars on one side of it only.
        framed = bool(seen) and min(seen) < look.at_utc_s < max(seen)
        return framed and bool(elsewhere) and all(other.seen for other in elsewhere)

    def _cover_percent(self, at_utc_s: float) -> float | None:
        first = bisect_left(self._covers, (at_utc_s - _SAMPLE_AGE_S, 0.0))
        near = [
            c for at_s, c in self._covers[first : first + 8] if at_s <= at_utc_s + _SAMPLE_AGE_S
        ]
        return max(near, default=None)


def _apart_deg(one: _Look, other: _Look) -> float:
    return abs((one.az_deg - other.az_deg + 180.0) % 360.0 - 180.0)


def _bin(number: int, looks: Sequence[_Look], horizon: Horizon) -> SeenBin:
    start, end = number * BIN_DEG, (number + 1) * BIN_DEG
    hidden = sorted(look.alt_deg for look in looks if not look.seen)
    seen = sorted(look.alt_deg for look in looks if look.seen)
    inside = [alt for az, alt in horizon.points if start <= az < end]
    declared = max([horizon.altitude_at(start), horizon.altitude_at(end), *inside])
    # The edge that explains most: no hidden frame above it, no seen one below.
    wrong = {
        edge: sum(alt > edge for alt in hidden) + sum(alt <= edge for alt in seen)
        for edge in hidden
    }
    top = min(hidden, key=lambda edge: (wrong[edge], edge))
    above = next((alt for alt in seen if alt > top), None)
    nights = len({look.night for look in looks if not look.seen})
    sure = (
        nights >= _NIGHTS and len(hidden) >= _TIMES and wrong[top] <= _CONTRADICTION * len(hidden)
    )
    proposed = top + _ABOVE_DEG if above is None else min(above, top + _ABOVE_DEG)
    proposed = round(proposed, 1)
    return SeenBin(
        az_from_deg=start,
        az_to_deg=end,
        hidden=len(hidden),
        seen=len(seen),
        nights=nights,
        hidden_to_deg=round(top, 2),
        seen_from_deg=None if above is None else round(above, 2),
        declared_deg=round(declared, 2),
        proposed_deg=proposed if sure and proposed > declared else None,
    )
