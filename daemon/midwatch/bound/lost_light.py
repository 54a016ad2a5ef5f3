"""When no light could be taken under given faults, whatever one knew.

Everything here errs on the side of light: what is not certain to take light away takes none.
Clouds, and weather beyond the limits that no fault has brought, are taken from the night's own
readings: a clairvoyant knows them too.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from midwatch.journal.facts import LookoutChanged, NightBegan, Sample, WeatherTurned
from midwatch.journal.store import Event, facts_of
from midwatch.orders.injected import FAULT_KINDS, STEP_S, ScheduledFault
from midwatch.orders.models import SafetyLimits

__all__ = ["Dark", "Rules", "clouded", "dark_spans", "over_limits", "waited"]

How = Literal["all", "half", "begin", "end"]

# Clocks, messages and devices take their time at both ends of a fault.
_SLACK_S = 10.0
# From the beginning of bad weather to the reading that shows it.
_READING_S = 120.0
# The air becomes saturated gradually, and dries so.
_DEW_EDGE_S = 420.0
# Starting a machine after its power has come back.
_BOOT_S = 40.0
# From a reading to the sample of clouds that have gone.
_LOOK_S = 120.0
# Clouds from which on no exposure is good; thinner ones only make it worse.
_OVERCAST_PERCENT = 80.0

# Light that falls during these spoils or ends the exposure under way.
_NO_CAMERA = ("camera-unplugged", "camera-driver-crash-loop", "power-cut")
# The star does not stay, or no light comes in: an exposure of which half falls here is lost.
_NO_STAR = ("mount-stalls", "mount-power-lost", "shutter-stuck")
# No exposure can be begun: the devices are cut off from any daemon.
_NOT_HEARD = ("bus-partition", "broker-restart", "daemon-killed", "suspend")
# The daemon lives and has no readings.
_NO_READINGS = ("weather-silent", "bus-partition", "suspend")
# Frames that are read out now are no good.
_NO_FRAME = ("frame-truncated", "frame-corrupt", "frame-wrong-size")
# The roof does not open fully.
_NO_OPENING = ("roof-stays-shut", "roof-stops-halfway")
# A daemon that reads the weather late goes on with the exposure under way.
_BLINDING = ("bus", "host")


@dataclass(frozen=True)
class Dark:
    """A stretch of time in which there is no light to be had.

    Attributes:
        how: "all": an exposure may not touch it; "half": not half of an exposure may fall into
            it; "begin", "end": no exposure may begin, or end, in it.
        parked: the telescope has to be pointed again afterwards.
    """

    from_utc_s: float
    until_utc_s: float
    how: How
    parked: bool = False


@dataclass(frozen=True)
class Rules:
    """What site, rig and orders lay down.

    Attributes:
        safety: limits of the site; what is not watched closes nothing.
        roles: of the rig's devices.
        lease_s: silence of the daemon after which devices make themselves safe.
        work_from_s: the roof is not opened before, POSIX seconds.
    """

    safety: SafetyLimits
    roles: Sequence[str]
    lease_s: float
    work_from_s: float


def dark_spans(faults: Sequence[ScheduledFault], rules: Rules) -> list[Dark]:
    """Return the stretches that faults take away."""
    spans = [*_of_devices(faults, rules.lease_s)]
    if "weather" in rules.roles:
        spans += _of_weather(faults, rules.safety)
    if "roof" in rules.roles:
        spans.append(Dark(-math.inf, _roof_opens_s(rules.work_from_s, faults), "all"))
    return [span for span in spans if span.until_utc_s > span.from_utc_s]


def _of_devices(faults: Iterable[ScheduledFault], lease_s: float) -> Iterable[Dark]:
    for fault in faults:
        begins, ends = fault.from_utc_s + _SLACK_S, fault.until_utc_s - _SLACK_S
        if fault.name in _NO_CAMERA:
            boot_s = _BOOT_S if fault.name == "power-cut" else 0.0
            yield Dark(begins, ends + boot_s, "all")
        elif fault.name in _NO_STAR:
            yield Dark(begins, ends, "half", parked=fault.name == "mount-power-lost")
        elif fault.name in _NO_FRAME:
            yield Dark(begins, ends, "end")
        elif fault.name == "exposure-never-ends":
            yield Dark(begins, ends, "begin")
        elif fault.name in _NOT_HEARD:
            yield Dark(begins, ends, "begin")
            # Left alone for longer than the lease, the camera gives up what it exposes. The mount
            # has certainly parked a lease later, also where its driver was restarted meanwhile.
            yield Dark(begins + lease_s, ends, "all", parked=ends - begins > 2.0 * lease_s)


def _of_weather(faults: Sequence[ScheduledFault], safety: SafetyLimits) -> Iterable[Dark]:
    for fault in faults:
        edges = _unsafe_edges(fault, safety)
        if edges is None:
            continue
        begins, ends = edges
        # A sensor that repeats itself shows no rain: the roof stays open.
        stuck = [other for other in faults if other.name == "weather-stuck"]
        if any(other.from_utc_s < ends and other.until_utc_s > begins for other in stuck):
            continue
        others = [other for other in faults if other is not fault]
        blind = _blinded(fault.from_utc_s, begins, others)
        # A daemon cut off from the weather is cut off from the camera: it goes on exposing.
        how: How = "begin" if blind or fault.name in _NOT_HEARD else "all"
        # After a mere gap in the readings, shorter than the calm time, a few good ones are enough.
        gap = fault.name in _NO_READINGS and (
            fault.until_utc_s - fault.from_utc_s < safety.calm_s or blind
        )
        opens_s = _roof_opens_s(ends + (0.0 if gap else safety.calm_s) - _SLACK_S, faults)
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
    elif fault.name in _NO_READINGS:
        edges = begins + safety.stale_s, ends
    else:
        return None
    return edges if edges[1] > edges[0] + _READING_S else None


def _roof_opens_s(wanted_s: float, faults: Sequence[ScheduledFault]) -> float:
    """Return when a closed roof can be open again."""
    for fault in faults:
        if (
            fault.name in _NO_OPENING
            and fault.from_utc_s + _SLACK_S <= wanted_s < fault.until_utc_s
        ):
            wanted_s = fault.until_utc_s - _SLACK_S
    return wanted_s


def over_limits(
    events: Sequence[Event], faults: Sequence[ScheduledFault], calm_s: float
) -> list[Dark]:
    """Return the stretches in which readings were beyond the site's limits, with the calm after.

    Args:
        events: of the night, in the order of the journal.
        faults: of the night; they may keep the daemon from doing what its readings ask for.
        calm_s: for which it must be good again.
    """
    spans: list[Dark] = []
    since: float | None = None
    for event in events:
        turn, at = event.fact, event.at_utc_s
        if not isinstance(turn, (WeatherTurned, NightBegan)):
            continue
        over = isinstance(turn, WeatherTurned) and turn.over
        if since is not None and not over:
            # What a daemon that died had not seen end may have ended at once.
            seen = isinstance(turn, WeatherTurned) and not _stepped(at, faults)
            ends = at if seen else since
            spans.append(Dark(since + _SLACK_S, ends + calm_s - _SLACK_S, "all", parked=True))
            since = None
        elif over and not _stepped(at, faults) and not _blinded(at, at, faults):
            since = at
    if since is not None:
        spans.append(Dark(since + _SLACK_S, since + calm_s - _SLACK_S, "all", parked=True))
    return [replace(span, until_utc_s=_roof_opens_s(span.until_utc_s, faults)) for span in spans]


def clouded(events: Sequence[Event], faults: Sequence[ScheduledFault]) -> list[Dark]:
    """Return the stretches in which readings showed a closed sky."""
    spans: list[Dark] = []
    since: float | None = None
    last = math.nan
    for at, sample in facts_of(events, Sample):
        cloud_percent = sample.cloud_percent
        if cloud_percent is not None and cloud_percent >= _OVERCAST_PERCENT:
            if not _stepped(at, faults) and not _unreported(at, at, faults):
                since = at if since is None else since
                last = at
        elif since is not None:
            known = not _stepped(at, faults) and not _unreported(last, at, faults)
            if cloud_percent is not None and known:
                # Clouds that go are sampled as soon as the daemon looks.
                last = max(last, at - _LOOK_S)
            spans.append(Dark(since, last, "half"))
            since = None
    if since is not None:
        spans.append(Dark(since, last, "half"))
    return [span for span in spans if span.until_utc_s > span.from_utc_s]


def waited(
    events: Sequence[Event], faults: Sequence[ScheduledFault], lookouts: Collection[str]
) -> list[Dark]:
    """Return the stretches in which the orders themselves asked for waiting.

    Args:
        events: of the night, in the order of the journal.
        faults: of the night.
        lookouts: whose tripping means to wait.
    """
    spans: list[Dark] = []
    since: dict[str, float] = {}
    for event in events:
        fact, at = event.fact, event.at_utc_s
        if isinstance(fact, NightBegan):
            since.clear()  # the daemon did not look meanwhile
        elif isinstance(fact, LookoutChanged) and fact.lookout in lookouts:
            began = since.pop(fact.lookout, None)
            if _stepped(at, faults):
                continue
            if fact.status == "tripped":
                since[fact.lookout] = at
            elif began is not None:
                spans.append(Dark(began + 1.0, at - 1.0, "begin"))
    return spans


def _unreported(from_utc_s: float, until_utc_s: float, faults: Sequence[ScheduledFault]) -> bool:
    """Return whether the sky may have been another than readings of this time show."""
    return _blinded(from_utc_s, until_utc_s, faults) or any(
        fault.name in ("weather-silent", "weather-stuck")
        and fault.from_utc_s < until_utc_s + _READING_S
        and fault.until_utc_s > from_utc_s - _READING_S
        for fault in faults
    )


def _stepped(at_utc_s: float, faults: Iterable[ScheduledFault]) -> bool:
    """Return whether a moment of the journal may come from a clock that was hours off."""
    step_s = STEP_S["clock-step-hours"]
    return any(
        fault.name == "clock-step-hours"
        and fault.from_utc_s - _SLACK_S < at_utc_s - step_s < fault.until_utc_s + _READING_S
        for fault in faults
    )


def _blinded(from_utc_s: float, until_utc_s: float, faults: Iterable[ScheduledFault]) -> bool:
    """Return whether the daemon may have missed, or not followed, readings of this time."""
    return any(
        (FAULT_KINDS[fault.name].where in _BLINDING or fault.name.startswith("weather-driver"))
        and fault.from_utc_s < until_utc_s + _READING_S
        and fault.until_utc_s > from_utc_s - _READING_S
        for fault in faults
    )
