"""midwatch change: new night orders for a running night."""

from __future__ import annotations

import argparse
import asyncio
from typing import Any

from midwatch.bus import CommandError, JsonObject, OversizedError
from midwatch.errors import InputError
from midwatch.interface.console import say, say_json
from midwatch.runtime.files import Running, find_running, load_orders
from midwatch.runtime.visit import order, visit, visitor
from midwatch.sequencer.night import DAEMON, documents_of


def execute(args: argparse.Namespace) -> int:
    """Read the orders here, so that mistakes are shown at once, and send them."""
    documents = documents_of(load_orders(args.new_orders))
    running = find_running(args.out, args.orders)
    given: JsonObject = {
        "who": visitor(),
        "why": args.why,
        "documents": documents.model_dump(mode="json"),
    }
    taken = asyncio.run(_give(running, given))
    if args.json:
        content: dict[str, Any] = {"taken": "change", "who": visitor(), **taken}
        say_json(content)
    else:
        say(*_lines(taken))
    return 0


async def _give(running: Running, given: JsonObject) -> JsonObject:
    async with visit(running.broker, running.topics, running.clock()) as there:
        try:
            return await order(there, DAEMON, "change", given)
        except CommandError as error:
            raise InputError(
                f"the daemon refused these orders and goes on with the old ones:\n{error.message}"
            ) from None
        except OversizedError as error:
            raise InputError(f"these orders are too long: {error}") from None


def _lines(taken: JsonObject) -> list[str]:
    lines = ["the new orders hold; what was taken already still counts"]
    for word in ("added", "removed", "changed"):
        names = taken.get(word)
        if isinstance(names, list) and names:
            lines.append(f"  {word}: {', '.join(map(str, names))}")
    notes = taken.get("not_tonight")
    if isinstance(notes, dict):
        lines += [f"  not tonight: {name}: {note}" for name, note in notes.items()]
    return lines
