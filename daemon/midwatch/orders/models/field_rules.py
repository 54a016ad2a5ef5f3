"""What must hold of values, and between them, beyond types and ranges.

Each rule raises a `complaint`, which carries what is wrong, what to write instead, and where.
"""

from __future__ import annotations

import functools
import zoneinfo
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

from pydantic_core import PydanticCustomError

from midwatch.orders.models.angles import AngleError, parse_dec_deg, parse_ra_deg
from midwatch.sky.mounts import MountGeometry

COMPLAINT = "complaint"

LOWEST_HORIZON_DEG = -5.0
HIGHEST_HORIZON_DEG = 90.0
HORIZON_HINT = "write [azimuth 0 to 360, altitude -5 to 90] in degrees, azimuths rising"

# No legal time on Earth is further than this from the Sun's own: more means a wrong sign.
_ZONE_LATITUDE_H = 5.0
# Samples to each side of the middle that a focus run usually takes.
_USUAL_REACH = 3


def complaint(message: str, hint: str, *at: str | int) -> PydanticCustomError:
    """Make the error of a broken rule.

    Args:
        message: what is wrong, without the place.
        hint: what to write instead.
        at: path below the value that is validated.
    """
    facts = {"message": message, "hint": hint, "at": list(at)}
    return PydanticCustomError(COMPLAINT, "{message}; {hint}", facts)


def name(value: object) -> object:
    """Demand a name that can be read back from a folder and a topic."""
    if isinstance(value, str):
        if not any(letter.isalnum() for letter in value):
            raise complaint(f"{value!r} names nothing", "write a name with letters or digits")
        if not value.isprintable():
            raise complaint(f"{value!r} has unprintable characters", "write it in one plain line")
    return value


def right_ascension(value: object) -> object:
    """Demand a right ascension in one of its notations."""
    return _angle(value, parse_ra_deg)


def declination(value: object) -> object:
    """Demand a declination in one of its notations."""
    return _angle(value, parse_dec_deg)


def _angle(value: Any, parse: Any) -> object:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        value = str(value)
    try:
        parse(value)
    except AngleError as error:
        raise complaint(error.message, error.hint) from None
    return value


def timezone(value: object) -> object:
    """Demand a zone of the time zone database."""
    if isinstance(value, str) and _zone(value) is None:
        near = ", ".join(near_zones(value))
        hint = f"did you mean {near}?" if near else "write one such as Europe/Vienna or UTC"
        raise complaint(f"{value!r} is not in the time zone database", hint)
    return value


@functools.lru_cache(maxsize=64)
def _zone(name: str) -> zoneinfo.ZoneInfo | None:
    try:
        return zoneinfo.ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return None


def near_zones(word: str) -> list[str]:
    """Return up to three zones that the word may mean, by name or by city."""
    zones = sorted(zone for zone in zoneinfo.available_timezones() if "/" in zone)
    wanted = word.casefold().replace(" ", "_")
    cities: dict[str, list[str]] = {}
    for zone in zones:
        cities.setdefault(zone.casefold().rpartition("/")[2], []).append(zone)
    by_fold = {zone.casefold(): zone for zone in zones}
    near = [by_fold[key] for key in get_close_matches(wanted, by_fold, n=3, cutoff=0.85)]
    for city in get_close_matches(wanted.rpartition("/")[2], cities, n=3, cutoff=0.8):
        near += cities[city]
    return list(dict.fromkeys(near))[:3]


def zone_fits_longitude(zone: str, longitude_deg: float) -> None:
    """Demand that local time and longitude belong together: the usual slip is a lost minus."""
    info = _zone(zone)
    if info is None or "/" not in zone or zone.startswith("Etc/"):
        return
    offset = info.utcoffset(datetime(2027, 1, 1, tzinfo=UTC).replace(tzinfo=info))
    if offset is None:
        return
    ahead_h = offset.total_seconds() / 3600 - longitude_deg / 15
    if abs((ahead_h + 12) % 24 - 12) > _ZONE_LATITUDE_H:
        raise complaint(
            f"{longitude_deg:g} is far from the timezone {zone}",
            "east is positive, west is negative: check the sign and the timezone",
            "longitude_deg",
        )


def horizon(value: object) -> object:
    """Demand a flat altitude, sound pairs, or a path."""
    if isinstance(value, str):
        if not value.strip():
            raise complaint("an empty path", "write a path, a number of degrees, or pairs")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        if not LOWEST_HORIZON_DEG <= value <= HIGHEST_HORIZON_DEG:
            raise complaint(f"{value} is not allowed", "write degrees from -5 to 90")
    elif isinstance(value, list | tuple):
        _pairs(value)
        return tuple(tuple(pair) for pair in value)
    else:
        raise complaint("not a horizon", "write a number of degrees, a path, or pairs")
    return value


def _pairs(pairs: Sequence[object]) -> None:
    if not pairs:
        raise complaint("an empty list", HORIZON_HINT)
    before = -1.0
    for index, pair in enumerate(pairs):
        if not isinstance(pair, list | tuple) or len(pair) != 2 or not all(map(_number, pair)):
            raise complaint("not a pair of numbers", HORIZON_HINT, index)
        azimuth, altitude = pair
        if not 0 <= azimuth <= 360:
            raise complaint(f"azimuth {azimuth} is outside 0 to 360", HORIZON_HINT, index)
        if not LOWEST_HORIZON_DEG <= altitude <= HIGHEST_HORIZON_DEG:
            raise complaint(f"altitude {altitude} is outside -5 to 90", HORIZON_HINT, index)
        if azimuth == before:
            raise complaint(f"azimuth {azimuth} is written here twice", "keep one of them", index)
        if azimuth < before:
            raise complaint(
                f"azimuth {azimuth} comes after {before:g}", "sort the pairs by azimuth", index
            )
        before = azimuth
    first, last = pairs[0], pairs[-1]
    if first[0] == 0 and last[0] == 360 and first[1] != last[1]:  # type: ignore[index]
        raise complaint(
            "azimuths 0 and 360 are one direction with two altitudes",
            "keep one of them",
            len(pairs) - 1,
        )


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def both_coordinates(ra: object, dec: object) -> None:
    """Demand both coordinates or none."""
    if (ra is None) != (dec is None):
        given, lacking = ("dec", "ra") if ra is None else ("ra", "dec")
        raise complaint(
            f"is given without {lacking}",
            f"add {lacking}, or leave out both to take the catalogue's",
            given,
        )


def gust_above_wind(max_wind_ms: float | None, max_gust_ms: float | None) -> None:
    """Demand that gusts may be at least as strong as the mean wind."""
    if max_wind_ms is not None and max_gust_ms is not None and max_gust_ms < max_wind_ms:
        raise complaint(
            f"{max_gust_ms:g} is below max_wind_ms ({max_wind_ms:g}), which could never be reached",
            f"write at least {max_wind_ms:g}",
            "max_gust_ms",
        )


def meant_as_percent(value: float | None, name: str) -> None:
    """Demand percent: the usual slip is a share of one, which would close the rig for ever."""
    if value is not None and 0.0 < value <= 1.0:
        raise complaint(
            f"{value:g} is {value:g} percent, which the air always exceeds",
            f"write percent: {100.0 * value:g}",
            name,
        )


def aperture_below_focal_length(aperture_mm: float, focal_length_mm: float) -> None:
    """Demand a focal ratio above 1: the usual slip is to swap the two."""
    if aperture_mm >= focal_length_mm:
        raise complaint(
            f"{aperture_mm:g} is not below focal_length_mm ({focal_length_mm:g})",
            "check whether the two are swapped",
            "aperture_mm",
        )


def run_above_zero(start: int, step: int, backlash_steps: int) -> None:
    """Demand that a focus run around the start position stays at positions above zero."""
    reach = _USUAL_REACH * step + backlash_steps
    if start < reach:
        raise complaint(
            f"{start} leaves no room: a run in steps of {step} with backlash reaches {reach} "
            "steps below it",
            f"write at least {reach}, or a smaller step",
            "start_position",
        )


def hold_below_timeout(hold_s: float, timeout_s: float) -> None:
    """Demand that settling can succeed."""
    if hold_s >= timeout_s:
        raise complaint(
            f"{timeout_s:g} is not above calm_for_s ({hold_s:g}), so settling never succeeds",
            f"write more than {hold_s:g} seconds",
            "calm_timeout_s",
        )


def flip_before_limit(flip_after_min: float, past_meridian_min: float) -> None:
    """Demand time between the earliest flip and the meridian limit."""
    if flip_after_min >= past_meridian_min:
        raise complaint(
            f"{flip_after_min:g} is not below past_meridian_min ({past_meridian_min:g}), so the "
            "mount stops before it may flip",
            f"write less than {past_meridian_min:g} minutes, or raise past_meridian_min",
            "flip_after_min",
        )


def known_geometry(name: str, kinds: Mapping[str, type[MountGeometry]]) -> None:
    """Demand a kind of mount that there is."""
    if name not in kinds:
        known = ", ".join(f"{kind} ({kinds[kind].words})" for kind in kinds)
        raise complaint(f"{name!r} is no kind of mount", f"write one of {known}", "geometry")


def fits_geometry(
    name: str, written: Mapping[str, str], kinds: Mapping[str, type[MountGeometry]]
) -> None:
    """Refuse the limits of another kind of mount.

    Args:
        name: of the declared kind.
        written: fields that the user has written, with the section where they are.
        kinds: all kinds by name.
    """
    kind = kinds[name]
    for field, section in written.items():
        other = next((k for k in kinds.values() if field in k.takes), None)
        if other is None or field in kind.takes:
            continue
        own = f"; a {kind.words} has {', '.join(kind.takes)}" if kind.takes else ""
        raise complaint(
            f"belongs to a {other.words}, and mount.geometry declares a {kind.words}",
            f"take it out, or write mount: {{geometry: {other.name}}}{own}",
            section,
            field,
        )


def never_flips(words: str) -> None:
    """Refuse a refocus after a flip that never comes."""
    raise complaint(
        f"a {words} is never flipped", "take it out, or write false", "focus", "after_flip"
    )


def lease_outlives_heartbeat(lease_s: float, heartbeat_s: float) -> None:
    """Demand that one lost heartbeat does not end the night."""
    if lease_s < 2 * heartbeat_s:
        raise complaint(
            f"{lease_s:g} is less than two heartbeats ({heartbeat_s:g} seconds each)",
            f"write at least {2 * heartbeat_s:g} seconds",
            "lease_s",
        )
