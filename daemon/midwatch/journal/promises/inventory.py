"""The files of a night: their digests, and writing next to them without half-written results."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from midwatch.imaging.files import verify_checksum

__all__ = ["Inventory", "checksum_lines", "take_inventory"]

FOLDERS = ("frames", "calibration")


@dataclass(frozen=True)
class Inventory:
    """What lies in a night's folder.

    Attributes:
        sha256: Digest by path, relative to the folder with forward slashes, in order.
        unsound: Frames whose FITS checksum does not hold.
    """

    sha256: Mapping[str, str]
    unsound: frozenset[str]


def take_inventory(folder: Path) -> Inventory:
    """Read every file below the frame folders; files still being written are passed over.

    A folder that does not exist has no files.

    Raises:
        OSError: A file cannot be read.
    """
    digests: dict[str, str] = {}
    unsound: set[str] = set()
    for path in sorted(path for name in FOLDERS for path in (folder / name).rglob("*")):
        if not path.is_file() or path.suffix == ".partial":
            continue
        name = path.relative_to(folder).as_posix()
        with path.open("rb") as file:
            digests[name] = hashlib.file_digest(file, "sha256").hexdigest()
        if path.suffix == ".fits" and not verify_checksum(path):
            unsound.add(name)
    return Inventory(digests, frozenset(unsound))


def checksum_lines(digests: Mapping[str, str]) -> str:
    """Return the text that ``sha256sum -c`` reads, in the order of the paths."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items()))
