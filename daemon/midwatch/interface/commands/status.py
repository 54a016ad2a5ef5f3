"""midwatch status: what a running night is doing."""

from __future__ import annotations

import argparse
import asyncio
from datetime import UTC, datetime
from typing import Any

from pydantic import ValidationError

from midwatch.bus import About, MalformedError, Online, StateEnvelope, decode
from midwatch.bus.topics import TopicKind, parse
from midwatch.devices.client import SILENT_HEARTBEATS
from midwatch.errors import UnreachableError
from midwatch.interface.commands.why import duty_text
from midwatch.interface.console import hours_text, say, say_json, table
from midwatch.interface.hail import RETAINED_S, retained, visit
from midwatch.interface.runfile import Running, find_running
from midwatch.journal.ledger import LABELS
from midwatch.sequencer.operator import NightState

_MODEST_LIMIT = 60
# What devices keep on the bus.
_TOLD = ("online", "state", "about")


def execute(args: argparse.Namespace) -> int:
    """Ask and show."""
    running = find_running(args.out, args.orders)
    found = asyncio.run(_gather(running))
    night = _night(found.get(running.topics.night_state))
    devices = _devices(found)
    if night is None and not devices:
        raise UnreachableError(
            f"nothing of {running.rig} at {running.site} is on the bus of "
            f"{running.broker.host}:{running.broker.port}"
        )
    if args.json:
        content = None if night is None else night.model_dump(mode="json")
        say_json({"night": content, "devices": devices})
    else:
        say(*_lines(running, night, devices))
    return 0


async def _gather(running: Running) -> dict[str, bytes]:
    """Collect what is retained; what is not there after a moment is not waited for."""
    topics = running.topics
    expected = {topics.night_state}
    for device in running.devices:
        expected |= {topics.online(device), topics.state(device), topics.about(device)}
    patterns = (topics.night_state, *(f"{topics.root}/+/{of}" for of in _TOLD))
    async with visit(running.broker, topics, running.clock()) as there:
        return await retained(there, patterns, expected.issubset, RETAINED_S)


def _night(payload: bytes | None) -> NightState | None:
    if payload is None:
        return None
    try:
        return NightState.model_validate_json(payload)
    except ValidationError:
        return None


def _devices(found: dict[str, bytes]) -> dict[str, dict[str, Any]]:
    devices: dict[str, dict[str, Any]] = {}
    for topic in sorted(found):
        parsed = parse(topic)
        if parsed is None or not parsed.device or parsed.kind.value not in _TOLD:
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


def _lines(
    running: Running, night: NightState | None, devices: dict[str, dict[str, Any]]
) -> list[str]:
    lines = [f"{running.rig} at {running.site}"]
    if night is None:
        lines.append("  the daemon has said nothing yet")
    else:
        lines += table(_night_rows(night))
    if not devices:
        return [*lines, "  no device is on the bus"]
    present = running.clock().now()
    rows = [
        [name, _health(device, present, running.heartbeat_s), _facts(device["state"])]
        for name, device in devices.items()
    ]
    # Repeats are what a careful asker does; the rest is somebody's mistake, or worse.
    strange = {
        name: sum(
            count
            for reason, count in device["turned_away"].items()
            if reason != "duplicate" and isinstance(count, int)
        )
        for name, device in devices.items()
    }
    if any(strange.values()):
        told = ", ".join(f"{name} {count}" for name, count in strange.items() if count)
        rows.append(["turned away", "messages", told])
    return [*lines, "", *table(rows)]


def _night_rows(night: NightState) -> list[list[str]]:
    cause = next((label for name, label in LABELS.items() if name == night.activity), "")
    rows = [
        ["night", f"{night.night}, {night.phase}; told at {night.at.astimezone(UTC):%H:%M:%S} UTC"],
        ["doing", cause or night.activity],
        ["decided", duty_text(night.duty, night.args)],
        ["because", night.reason],
        ["lights", f"{night.lights_accepted} of {night.lights_wanted} accepted"],
    ]
    flags = [word for word, on in (("paused", night.paused), ("closing", night.closing)) if on]
    if flags:
        rows.append(["by hand", ", ".join(flags)])
    rows += [["fault", fault] for fault in night.open_faults]
    return rows


def _health(device: dict[str, Any], present: datetime, heartbeat_s: float) -> str:
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


def _facts(state: dict[str, Any] | None) -> str:
    """The few numbers of a state that a person looks for, in the order of the contract."""
    if not state:
        return ""
    passed = ("connected", "at_rest", "fault")
    shown = [
        f"{name} {round(value, 2) if isinstance(value, float) else value}"
        for name, value in state.items()
        if name not in passed and isinstance(value, str | int | float) and value is not False
    ]
    text = ", ".join(shown)
    return text if len(text) <= _MODEST_LIMIT else text[: _MODEST_LIMIT - 1] + "…"
