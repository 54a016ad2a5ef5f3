"""Setting a damaged database aside and putting its rebuilt part in its place.

A power cut may come at any step. The rebuilt file's own name is the point of no return: once it
exists, the next opening finishes what is left, and until then nothing was touched.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from midwatch.durable import sync_folder

# A write-ahead log left next to another database would be played into it.
_COMPANIONS = ("-wal", "-shm")


@contextmanager
def rebuilding(path: Path) -> Iterator[Path]:
    """Give the path at which to build the new database, then swap it with the damaged one."""
    partial = _side_tasks(path, ".partial")
    for leftover in (partial, *(_side_tasks(partial, suffix) for suffix in _COMPANIONS)):
        leftover.unlink(missing_ok=True)
    yield partial
    partial.replace(_side_tasks(path, ".rebuilt"))
    sync_folder(path.parent)
    finish_swap(path)


def finish_swap(path: Path) -> None:
    """Put a rebuilt database in place, the damaged one aside; nothing where there is none."""
    rebuilt = _side_tasks(path, ".rebuilt")
    if not rebuilt.exists():
        return
    aside = _side_tasks(path, f".damaged-{_number(path) + (1 if path.exists() else 0)}")
    for suffix in ("", *_COMPANIONS):
        source = _side_tasks(path, suffix)
        if source.exists():
            source.replace(_side_tasks(aside, suffix))
    sync_folder(path.parent)
    rebuilt.replace(path)
    sync_folder(path.parent)


def aside_path(path: Path) -> Path:
    """Return where the last damaged database was put."""
    return _side_tasks(path, f".damaged-{_number(path)}")


def free_name(path: Path) -> Path:
    """Return a name next to `path` under which a damaged file can be kept."""
    return _side_tasks(path, f".damaged-{_number(path) + 1}")


def sync_file(path: Path) -> None:
    """Force a file and its name to the disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
    sync_folder(path.parent)


def _number(path: Path) -> int:
    number = 0
    while _side_tasks(path, f".damaged-{number + 1}").exists():
        number += 1
    return number


def _side_tasks(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)
