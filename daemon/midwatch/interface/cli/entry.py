"""The entry of the command line: reads it, sets up logging, runs the command, returns its code.

A command's module is imported only when it was chosen, so that help comes at once.
"""

from __future__ import annotations

import argparse
import gc
import io
import sys
from collections.abc import Sequence
from importlib import import_module

from midwatch.interface.cli.arguments import build_parser

_MODULES = {
    "pause": "operator",
    "resume": "operator",
    "skip": "operator",
    "close": "operator",
    "change": "change",
    "status": "status",
}

TRACEBACK_LOUDNESS = 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Args:
        argv: the words after the program's name; None takes those of the process.
    """
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a character shows a question mark; the command goes on.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    args = build_parser().parse_args(argv)
    module = _MODULES.get(args.command, args.command)
    from midwatch.exit_codes import reported

    try:
        from midwatch.logs import set_up_logs

        set_up_logs(_calm_loudness(args))
        _collect_rarely()
        command = import_module(f"midwatch.interface.commands.{module}")
        code: int = command.execute(args)
        sys.stdout.flush()
    except (Exception, KeyboardInterrupt) as error:
        return reported(error, show_traceback=args.loudness >= TRACEBACK_LOUDNESS)
    return code


def _collect_rarely() -> None:
    """Look for cyclic garbage less often.

    Nearly everything is freed by counting. At the default, looking through all live objects takes
    a fifth of a rehearsal's time.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


def _calm_loudness(args: argparse.Namespace) -> int:
    """Leave out the warnings of a short visit to the bus: what matters of it is its result."""
    visiting = _MODULES.get(args.command) is not None or bool(getattr(args, "action", None))
    loudness: int = args.loudness
    return -1 if visiting and loudness == 0 else loudness


if __name__ == "__main__":
    sys.exit(main())
