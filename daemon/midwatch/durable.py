"""Names that outlive a power cut: a name is on the disk once its folder has been synced."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

__all__ = ["make_folder", "sync_folder", "write_whole"]


def sync_folder(folder: Path) -> None:
    """Force the names in a folder to the disk.

    Raises:
        OSError: the disk fails.
    """
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, each forced to the disk; nothing where it exists.

    Raises:
        OSError: the disk is full or fails, or a file is there.
    """
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_whole(path: Path, text: str, *, durable: bool) -> str:
    """Write a text file so that its name only ever shows the whole, and return its sha256.

    Raises:
        OSError: The disk is full, the folder is missing, and so on.
    """
    content = text.encode()
    partial = path.with_name(path.name + ".partial")
    with partial.open("wb") as file:
        file.write(content)
        if durable:
            file.flush()
            os.fsync(file.fileno())
    partial.replace(path)
    if durable:
        sync_folder(path.parent)
    return hashlib.sha256(content).hexdigest()
