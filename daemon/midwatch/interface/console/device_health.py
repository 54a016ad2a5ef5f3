"""What devices say of themselves on the bus, for a person: whether they are up, and where."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from midwatch.bus import About, MalformedError, Online, StateEnvelope, TopicKind, decode, parse
from midwatch.devices.client import SILENT_HEARTBEATS
from midwatch.interface.console.printing import hours_text

# What devices keep on the bus.
DEVICE_TOPICS = ("online", "state", "about")


def parsed_devices(found: Mapping[str, bytes]) -> dict[str, dict[str, Any]]:
    """Return what each device keeps on the bus, by its name; `found` is by topic."""
    devices: dict[str, dict[str, Any]] = {}
    for topic in sorted(found):
        parsed = parse(topic)
        if parsed is None or not parsed.device or parsed.kind.value not in DEVICE_TOPICS:
            continue
        device = devices.setdefault(
            parsed.device, {"online": False, "at": None, "state": None, "turned_away": {}}
        )
        try:
            if parsed.kind is TopicKind.ONLINE:
                device["online"] = decode(Online, found[topic]).online
            elif parsed.kind is TopicKind.ABOUT:
                counts = decode(About, found[topic]).account.get("counts")
                device["turned_away"] = counts if isinstance(counts, dict) else {}
            else:
                envelope = decode(StateEnvelope, found[topic])
                device["at"] = envelope.at.isoformat().replace("+00:00", "Z")
                device["state"] = envelope.state
        except MalformedError as error:
            device["fault"] = str(error)
    return devices


def health(device: Mapping[str, Any], present: datetime, heartbeat_s: float) -> str:
    """Say in words whether a device can be relied on."""
    state = device["state"] or {}
    if not device["online"]:
        return "offline"
    if device["at"] is not None:
        age_s = (present - datetime.fromisoformat(device["at"])).total_seconds()
        if age_s > SILENT_HEARTBEATS * heartbeat_s:
            return f"silent for {hours_text(age_s)}"
    if state.get("fault"):
        return f"fault: {state['fault']}"
    if not state.get("connected"):
        return "no link to its hardware"
    return "at rest" if state.get("at_rest") else "working"
