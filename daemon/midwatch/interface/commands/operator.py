"""midwatch pause, resume, skip, close: orders by hand to a running night."""

from __future__ import annotations

import argparse
import asyncio
from typing import Any

from midwatch.bus import CommandError
from midwatch.errors import InputError
from midwatch.interface.console import say, say_json
from midwatch.runtime.files import Running, find_running
from midwatch.runtime.visit import order, visit, visitor
from midwatch.sequencer.night import DAEMON

_TAKEN = {
    "pause": "paused: the frame under way is finished, nothing new begins until midwatch resume",
    "resume": "resumed",
    "skip": "skipped for tonight",
    "close": "closing: stopping, parking, closing, warming up",
}


def execute(args: argparse.Namespace) -> int:
    """Give one order."""
    running = find_running(args.out, args.orders)
    target = getattr(args, "target", None)
    asyncio.run(_give(running, args.command, {"why": args.why, "target": target}))
    if args.json:
        content: dict[str, Any] = {"taken": args.command, "target": target, "who": visitor()}
        say_json(content)
    else:
        what = f"{target}: " if target else ""
        say(f"{what}{_TAKEN[args.command]}")
    return 0


async def _give(running: Running, command: str, args: dict[str, str | None]) -> None:
    async with visit(running.broker, running.topics, running.clock()) as there:
        try:
            await order(there, DAEMON, command, {"who": visitor(), **args})
        except CommandError as error:
            raise InputError(f"{command} was refused: {error.message}") from None
