"""midwatch status: what a running night is doing."""

from __future__ import annotations

import argparse
import asyncio
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from midwatch.errors import UnreachableError
from midwatch.instants import in_zone
from midwatch.interface.console import (
    DEVICE_TOPICS,
    device_words,
    duty_text,
    health,
    parsed_devices,
    say,
    say_json,
    table,
)
from midwatch.journal.record import LABELS
from midwatch.runtime.files import Running, find_running
from midwatch.runtime.visit import RETAINED_S, retained, visit
from midwatch.sequencer.night import NightState


def execute(args: argparse.Namespace) -> int:
    """Ask and show."""
    running = find_running(args.out, args.orders)
    found = asyncio.run(_gather(running))
    night = _night(found.get(running.topics.night_state))
    devices = parsed_devices(found)
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
    patterns = (topics.night_state, *(f"{topics.root}/+/{of}" for of in DEVICE_TOPICS))
    async with visit(running.broker, topics, running.clock()) as there:
        return await retained(there, patterns, expected.issubset, RETAINED_S)


def _night(payload: bytes | None) -> NightState | None:
    if payload is None:
        return None
    try:
        return NightState.model_validate_json(payload)
    except ValidationError:
        return None


def _lines(
    running: Running, night: NightState | None, devices: dict[str, dict[str, Any]]
) -> list[str]:
    zone = ZoneInfo(running.timezone)
    lines = [f"{running.rig} at {running.site}"]
    if night is None:
        lines.append("  the daemon has said nothing yet")
    else:
        lines += table(_night_rows(night, zone))
    if not devices:
        return [*lines, "  no device is on the bus"]
    present = running.clock().now()
    rows = [
        [name, health(device, present, running.heartbeat_s), device_words(name, device["state"])]
        for name, device in devices.items()
    ]
    # Repeats are what a careful asker does; the rest is a mistake, or worse.
    strange = {
        name: sum(
            count
            for reason, count in device["turned_away"].items()
            if reason != "duplicate" and isinstance(count, int)
        )
        for name, device in devices.items()
    }
    if any(strange.values()):
        counts = ", ".join(f"{name} {count}" for name, count in strange.items() if count)
        rows.append(["turned away", "messages", counts])
    return [*lines, "", *(in_zone(line, zone) for line in table(rows))]


def _night_rows(night: NightState, zone: ZoneInfo) -> list[list[str]]:
    at = night.at.astimezone(zone)
    cause = next((label for name, label in LABELS.items() if name == night.activity), "")
    rows = [
        ["night", f"{night.night}, {night.phase}; as of {at:%H:%M:%S %Z}"],
        ["doing", cause or night.activity],
        ["decided", duty_text(night.duty, night.args)],
        ["because", in_zone(night.reason, zone)],
        ["lights", f"{night.lights_accepted} of {night.lights_wanted} accepted"],
    ]
    flags = [word for word, on in (("paused", night.paused), ("closing", night.closing)) if on]
    if flags:
        rows.append(["by hand", ", ".join(flags)])
    rows += [["fault", in_zone(text, zone)] for text in night.troubles or night.open_faults]
    return rows
