"""Faults that simulated devices show, written into the rig as settings of the devices."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pydantic import JsonValue

from midwatch.orders.injected import FAULT_KINDS, ScheduledFault, shown_by
from midwatch.orders.models import DeviceEntry, Devices, Rig

__all__ = ["faulty_rig"]


def faulty_rig(rig: Rig, faults: Sequence[ScheduledFault]) -> Rig:
    """Return a simulated rig whose devices show their part of the faults."""
    entries = rig.devices.present()
    drivers = {role: entry.driver for role, entry in entries.items()}
    spans: dict[str, list[JsonValue]] = {}
    for fault in faults:
        kind = FAULT_KINDS[fault.name]
        role = shown_by(kind, drivers) if kind.where == "device" else None
        if role is None:
            continue
        until: JsonValue = None if fault.until_utc_s == math.inf else fault.until_utc_s
        span: JsonValue = {
            "name": fault.name, "from_utc_s": fault.from_utc_s, "until_utc_s": until,
        }  # fmt: skip
        spans.setdefault(role, []).append(span)
    for role, found in spans.items():
        entry = entries[role]
        options: dict[str, JsonValue] = {**entry.options, "faults": found}
        entries[role] = DeviceEntry(driver=entry.driver, options=options)
    return rig.model_copy(update={"devices": Devices(**entries)})
