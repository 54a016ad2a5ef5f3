"""Right ascension and declination as people write them."""

from __future__ import annotations

import re
from typing import Literal

Kind = Literal["ra", "dec"]

RA_HINT = "write degrees from 0 up to 360 (83.82) or hours as text (05h35m17s or 5:35:17)"
DEC_HINT = "write degrees from -90 to 90 (-5.39) or text (-05d23m28s or -5:23:28)"

_LATER = r"([0-9]{1,2}(?:\.[0-9]+)?)"
_LETTERS = re.compile(rf"([0-9]{{1,3}})([hd°]) *(?:{_LATER}[m'\u2032] *(?:{_LATER}[s\"\u2033])?)?")
_COLONS = re.compile(rf"([0-9]{{1,3}}):{_LATER}(?::{_LATER})?")
_SPACES = re.compile(rf"([0-9]{{1,3}}) +{_LATER}(?: +{_LATER})?")


class AngleError(ValueError):
    """A coordinate that cannot be meant.

    Attributes:
        message: what is wrong.
        hint: what to write instead, in both notations.
    """

    def __init__(self, message: str, hint: str) -> None:
        self.message, self.hint = message, hint
        super().__init__(f"{message}; {hint}")


def parse_ra_deg(value: float | str) -> float:
    """Read a right ascension.

    Args:
        value: degrees as a number, or hours, minutes and seconds as text: ``05h35m17.3s``,
            ``5:35:17.3`` or ``5 35 17.3``; the last part may have decimals, seconds may be left
            out.

    Returns:
        Degrees from 0 up to but not including 360.

    Raises:
        AngleError: it is not in these notations or out of range.
    """
    if isinstance(value, str):
        degrees = 15.0 * _sexagesimal(value, "ra")
        if not 0 <= degrees < 360:
            raise AngleError(f"{value.strip()!r} is outside 0 h to 24 h", RA_HINT)
        return degrees
    if not 0 <= value < 360:
        raise AngleError(f"{value} is outside 0 to 360 degrees", RA_HINT)
    return float(value)


def parse_dec_deg(value: float | str) -> float:
    """Read a declination.

    Args:
        value: degrees as a number, or degrees, minutes and seconds as text: ``-05d23m28s``,
            ``-5:23:28`` or ``-5 23 28``; the last part may have decimals, seconds may be left out.

    Returns:
        Degrees from -90 to 90.

    Raises:
        AngleError: it is not in these notations or out of range.
    """
    if isinstance(value, str):
        degrees = _sexagesimal(value, "dec")
        if not -90 <= degrees <= 90:
            raise AngleError(f"{value.strip()!r} is outside -90 to 90 degrees", DEC_HINT)
        return degrees
    if not -90 <= value <= 90:
        raise AngleError(f"{value} is outside -90 to 90 degrees", DEC_HINT)
    return float(value)


def _sexagesimal(text: str, kind: Kind) -> float:
    """Return the value in units of its first part: hours or degrees."""
    hint = RA_HINT if kind == "ra" else DEC_HINT
    body = text.strip().replace("\u2212", "-")
    sign = -1.0 if body.startswith("-") else 1.0
    body = body[1:].lstrip() if body[:1] in ("-", "+") else body
    unit, parts = _split(body)
    if not parts:
        raise AngleError(f"{text.strip()!r} is not a coordinate", hint)
    if kind == "ra" and unit in ("d", "°"):
        raise AngleError(f"{text.strip()!r} gives degrees where hours belong", hint)
    if kind == "dec" and unit == "h":
        raise AngleError(f"{text.strip()!r} gives hours where degrees belong", hint)
    if any("." in part for part in parts[:-1]):
        raise AngleError(f"{text.strip()!r} has decimals before its last part", hint)
    if any(float(part) >= 60 for part in parts[1:]):
        raise AngleError(f"{text.strip()!r} has minutes or seconds of 60 and more", hint)
    return sign * sum(float(part) / 60.0**power for power, part in enumerate(parts))


def _split(body: str) -> tuple[str, list[str]]:
    if match := _LETTERS.fullmatch(body):
        first, unit, *rest = match.groups()
        return unit, [first, *(part for part in rest if part)]
    match = _COLONS.fullmatch(body) or _SPACES.fullmatch(body)
    return "", [part for part in match.groups() if part] if match else []
