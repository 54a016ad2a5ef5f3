"""midwatch measure: what the night sees in a frame, for any FITS file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from midwatch.errors import InputError
from midwatch.imaging.files import FrameFileError
from midwatch.interface.console import inform, say, say_json
from midwatch.interface.measuring import content_of, lines_of


def execute(args: argparse.Namespace) -> int:
    """Measure each file; name those that cannot be, and go on."""
    shown: list[dict[str, Any]] = []
    refused: list[dict[str, str]] = []
    for path in args.frames:
        try:
            content = content_of(path, args)
        except (FrameFileError, OSError, MemoryError) as error:
            reason = _words(path, error)
            refused.append({"file": str(path), "reason": reason})
            inform(f"midwatch: {reason}")
            continue
        shown.append(content)
        if not args.json:
            say(*lines_of(content))
    if args.json:
        say_json({"frames": shown, "refused": refused})
    return InputError.exit_code if refused else 0


def _words(path: Path, error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return f"{path} does not fit into the memory of this computer; cut it into parts"
    if isinstance(error, OSError):
        return f"{path} cannot be read: {error.strerror or error}; check path and permissions"
    return str(error)
