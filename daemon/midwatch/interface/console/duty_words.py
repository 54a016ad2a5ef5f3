"""A duty in words, for people who look at a night."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import JsonValue

__all__ = ["duty_text"]


def duty_text(duty: str, args: Mapping[str, JsonValue]) -> str:
    """A duty with its arguments, the target first: expose (target M 101, exposure_s 240)."""
    ordered = sorted(args.items(), key=lambda item: (item[0] != "target", item[0]))
    shown = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in ordered
        if value is not None
    )
    return f"{duty} ({shown})" if shown else duty
