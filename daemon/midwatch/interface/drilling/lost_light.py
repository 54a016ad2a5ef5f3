"""When no light could be taken under given faults, whatever one knew.

Everything here errs on the side of light: what is not certain to take light away takes none.
Clouds are taken from the night's own readings, since no fault says how thick they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from midwatch.journal.events import Sample
from midwatch.journal.store import Event, facts_of
from midwatch.orders.fault_kinds import FAULT_KINDS
from midwatch.orders.faults import ScheduledFault
from midwatch.orders.models import SafetyLimits

__all__ = ["Dark", "clouded", "dark_spans"]

How = Literal["all", "half", "begin"]

# Clocks, messages and devices take their time at both ends of a fault.
_SLACK_S = 10.0
# From the beginning of bad weather to the reading that shows it.
_READING_S = 120.0
# The air becomes saturated gradually, and dries so.
_DEW_EDGE_S = 420.0
# Starting a machine after its power has come back.
_BOOT_S = 40.0
# Clouds from which on no exposure is good; thinner ones only make it worse.
_OVERCAST_PERCENT = 80.0

# Light that falls during these spoils or ends the exposure in hand.
_NO_CAMERA = ("camera-unplugged", "camera-driver-crash-loop", "power-cut")
# The star does not stay, or no light comes in: an exposure of which half falls here is lost.
_NO_STAR = ("mount-stalls", "mount-power-lost", "shutter-stuck")
# Nobody can have an exposure begun, or those that are begun never end.
_NO_BEGINNING = (
    "exposure-never-ends", "bus-partition", "broker-restart", "daemon-killed", "suspend",
)  # fmt: skip
# Whoever reads the weather late goes on with the exposure in hand.
_BLINDING = ("bus", "host")


@dataclass(frozen=True)
class Dark:
    """A stretch of time in which there is no light to be had.

    Attributes:
        how: "all": an exposure may not touch it; "half": not half of an exposure may fall into
            it; "begin": no exposure may begin in it.
        parked: the telescope has to be pointed anew afterwards.
    """

    from_utc_s: float
    until_utc_s: float
    how: How
    parked: bool = False


def dark_spans(
    faults: Sequence[ScheduledFault], safety: SafetyLimits, roles: Sequence[str]
) -> list[Dark]:
    """Return the stretches that faults take away.

    Args:
        faults: of the night.
        safety: limits of the site; what is not watched closes nothing.
        roles: of the rig's devices.
    """
    spans = [*_of_devices(faults)]
    if "weather" in roles:
        spans += _of_weather(faults, safety)
    return [span for span in spans if span.until_utc_s > span.from_utc_s]


def _of_devices(faults: Iterable[ScheduledFault]) -> Iterable[Dark]:
    for fault in faults:
        begins, ends = fault.from_utc_s + _SLACK_S, fault.until_utc_s - _SLACK_S
        if fault.name in _NO_CAMERA:
            boot_s = _BOOT_S if fault.name == "power-cut" else 0.0
            yield Dark(begins, ends + boot_s, "all")
        elif fault.name in _NO_STAR:
            yield Dark(begins, ends, "half", parked=fault.name == "mount-power-lost")
        elif fault.name in _NO_BEGINNING:
            yield Dark(begins, ends, "begin")


def _of_weather(faults: Sequence[ScheduledFault], safety: SafetyLimits) -> Iterable[Dark]:
    for fault in faults:
        edges = _unsafe_edges(fault, safety)
        if edges is None:
            continue
        begins, ends = edges
        # A sensor that repeats itself shows no rain: then nobody knows, and the roof stays open.
        stuck = [other for other in faults if other.name == "weather-stuck"]
        if any(other.from_utc_s < ends and other.until_utc_s > begins for other in stuck):
            continue
        blind = any(
            (FAULT_KINDS[other.name].where in _BLINDING or other.name.startswith("weather-driver"))
            and other.from_utc_s < begins + _READING_S
            and other.until_utc_s > fault.from_utc_s - _READING_S
            for other in faults
        )
        how: How = "begin" if blind else "all"
        opens_s = _roof_opens_s(ends + safety.calm_s - _SLACK_S, faults)
        yield Dark(begins, opens_s, how, parked=True)


def _unsafe_edges(fault: ScheduledFault, safety: SafetyLimits) -> tuple[float, float] | None:
    """Return when the site's limits have certainly been passed, and may be kept again."""
    begins, ends = fault.from_utc_s + _READING_S, fault.until_utc_s
    if fault.name == "rain" and safety.rain:
        edges = begins, ends - 1.0
    elif fault.name == "gust" and (safety.max_gust_ms or safety.max_wind_ms):
        edges = begins, ends - 60.0
    elif fault.name == "dew" and safety.max_humidity_percent:
        edges = begins + _DEW_EDGE_S, ends - _DEW_EDGE_S
    elif fault.name == "weather-silent":
        edges = begins + safety.stale_s, ends
    else:
        return None
    return edges if edges[1] > edges[0] + _READING_S else None


def _roof_opens_s(wanted_s: float, faults: Sequence[ScheduledFault]) -> float:
    """Return when a closed roof can be open again."""
    for fault in faults:
        if (
            fault.name == "roof-stays-shut"
            and fault.from_utc_s + _SLACK_S <= wanted_s < fault.until_utc_s
        ):
            wanted_s = fault.until_utc_s - _SLACK_S
    return wanted_s


def clouded(events: Sequence[Event]) -> list[Dark]:
    """Return the stretches between readings that all show a closed sky."""
    spans: list[Dark] = []
    since: float | None = None
    last = math.nan
    for at, sample in facts_of(events, Sample):
        if sample.cloud_percent is not None and sample.cloud_percent >= _OVERCAST_PERCENT:
            since = at if since is None else since
            last = at
        elif since is not None:
            spans.append(Dark(since, last, "half"))
            since = None
    if since is not None:
        spans.append(Dark(since, last, "half"))
    return [span for span in spans if span.until_utc_s > span.from_utc_s]
