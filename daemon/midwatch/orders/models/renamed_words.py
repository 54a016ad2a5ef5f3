"""Words of earlier versions, and what is written instead of each today."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

__all__ = ["RENAMED_FAULTS", "RENAMED_KEYS", "RenamedKey"]


class RenamedKey(NamedTuple):
    """A key that has another name today.

    Attributes:
        file: kind of file in which it is written.
        path: of the old key; "*" is any key or item.
        key: as it is called today.
        values: old values that are written otherwise today, with what is written instead.
    """

    file: str
    path: tuple[str, ...]
    key: str
    values: Mapping[str, str] = MappingProxyType({})


RENAMED_KEYS = (
    RenamedKey("rig", ("guiding", "settle_arcsec"), "calm_within_arcsec"),
    RenamedKey("rig", ("guiding", "settle_hold_s"), "calm_for_s"),
    RenamedKey("rig", ("guiding", "settle_timeout_s"), "calm_timeout_s"),
    RenamedKey(
        "rig",
        ("devices", "guider", "options", "dec_mode"),
        "declination_corrections",
        {"auto": "automatic", "both": "both_ways", "one_way": "against_drift", "off": "none"},
    ),
    RenamedKey(
        "orders",
        ("targets", "*", "order"),
        "frames_in_turn",
        {"rotate": "true", "in_sequence": "false"},
    ),
)

RENAMED_FAULTS = {"guide-oscillation": "guide-overcorrection"}
