"""Where exposures wait between read-out and filing.

A frame counts as kept when its description has its final name; its pixels have theirs before.
Both are on the disk by then, so that a killed driver host, or a power cut, leaves each frame
either whole or not kept at all.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import ClassVar
from urllib.parse import unquote, urlparse

import numpy as np
import structlog
from numpy.typing import NDArray
from pydantic import ValidationError

from midwatch.devices.contract.kinds import FrameRef
from midwatch.durable import make_folder, sync_folder
from midwatch.errors import MidwatchError

Pixels = NDArray[np.uint16]

_WIRE = np.dtype("<u2")

_log = structlog.get_logger(__name__)


class FrameCorruptError(MidwatchError):
    """The pixels behind a reference are gone, cut short, or not those that were kept."""


class FolderSpool:
    """A spool on disk: ``<sha256>.bin`` (row-major, little-endian uint16) and a description.

    Opening one reads again what an earlier process kept. What it left unfinished is removed;
    what does not fit its checksum is moved to ``quarantine`` and counted in `quarantined`.
    One process at a time may use a folder.
    """

    def __init__(self, folder: Path) -> None:
        self.quarantined = 0
        self._folder = folder.absolute()
        make_folder(self._folder)
        self._next = 0
        # Number of the frame to its reference; numbers rise with age.
        self._kept: dict[int, FrameRef] = {}
        self._read_again()

    def keep(self, pixels: Pixels, ref: FrameRef) -> FrameRef:
        """Store pixels (rows, columns) durably; see `Spool.keep`.

        Raises:
            ValueError: the shape of the pixels is not that of the reference.
            OSError: the disk is full or fails; nothing is kept then.
        """
        data, sha256 = _wire_bytes(pixels, ref)
        path = self._pixel_path(sha256)
        kept = ref.model_copy(update={"sha256": sha256, "where": path.as_uri()})
        number = self._next
        # A guide frame is worthless after the second in which it is used.
        durable = ref.frame != "guide"
        if not path.exists():
            self._write(path, data, durable=durable)
        self._write(
            self._description_path(number), kept.model_dump_json().encode(), durable=durable
        )
        if durable:
            # One for both names: after a power cut a description without its pixels is set
            # aside, and it was not announced yet.
            sync_folder(self._folder)
        self._next += 1
        self._kept[number] = kept
        return kept

    def waiting(self) -> tuple[FrameRef, ...]:
        """Return what has not been dropped, oldest first."""
        return tuple(self._kept.values())

    def drop(self, sha256: str) -> None:
        """Forget a frame; of several with the same pixels the oldest."""
        numbers = [number for number, ref in self._kept.items() if ref.sha256 == sha256]
        if not numbers:
            return
        dropped = self._kept.pop(numbers[0])
        self._description_path(numbers[0]).unlink(missing_ok=True)
        if len(numbers) == 1:
            self._pixel_path(sha256).unlink(missing_ok=True)
        if dropped.frame != "guide":
            sync_folder(self._folder)

    def _pixel_path(self, sha256: str) -> Path:
        return self._folder / f"{sha256}.bin"

    def _description_path(self, number: int) -> Path:
        return self._folder / f"{number:08d}.json"

    def _write(self, path: Path, data: bytes, *, durable: bool) -> None:
        unfinished = path.with_suffix(".part")
        try:
            with unfinished.open("wb") as file:
                file.write(data)
                if durable:
                    file.flush()
                    os.fsync(file.fileno())
            unfinished.replace(path)
        finally:
            unfinished.unlink(missing_ok=True)

    def _read_again(self) -> None:
        for unfinished in sorted(self._folder.glob("*.part")):
            unfinished.unlink()
        for path in sorted(self._folder.glob("*.json")):
            try:
                number = int(path.stem)
                self._next = max(self._next, number + 1)
                ref = FrameRef.model_validate_json(path.read_bytes())
                # The folder may have been moved since.
                ref = ref.model_copy(update={"where": self._pixel_path(ref.sha256).as_uri()})
                fetch(ref)
            except (ValueError, OSError, ValidationError, FrameCorruptError) as error:
                self._quarantine(path, str(error))
            else:
                self._kept[number] = ref
        described = {ref.sha256 for ref in self._kept.values()}
        for path in sorted(self._folder.glob("*.bin")):
            if path.stem not in described:
                self._quarantine(path, "no description that fits: the exposure was never kept")

    def _quarantine(self, path: Path, reason: str) -> None:
        self.quarantined += 1
        _log.error("spool_entry_quarantined", file=path.name, reason=reason[:300])
        aside = self._folder / "quarantine"
        make_folder(aside)
        path.replace(aside / path.name)
        sync_folder(self._folder)


class MemorySpool:
    """A spool within one process, for rehearsals; the newest of a name is found by that name."""

    _by_name: ClassVar[dict[str, MemorySpool]] = {}

    def __init__(self, name: str) -> None:
        self.name = name
        self._kept: list[tuple[FrameRef, Pixels]] = []
        self._by_name[name] = self

    @classmethod
    def find(cls, name: str) -> MemorySpool | None:
        """Return the spool of this name, if this process has one."""
        return cls._by_name.get(name)

    def keep(self, pixels: Pixels, ref: FrameRef) -> FrameRef:
        """Store a copy of the pixels (rows, columns); see `Spool.keep`.

        Raises:
            ValueError: the shape of the pixels is not that of the reference.
        """
        data, sha256 = _wire_bytes(pixels, ref)
        kept = ref.model_copy(update={"sha256": sha256, "where": f"memory:{self.name}"})
        self._kept.append((kept, _as_pixels(data, kept)))
        return kept

    def waiting(self) -> tuple[FrameRef, ...]:
        """Return what has not been dropped, oldest first."""
        return tuple(ref for ref, _ in self._kept)

    def drop(self, sha256: str) -> None:
        """Forget a frame; of several with the same pixels the oldest."""
        for index, (ref, _) in enumerate(self._kept):
            if ref.sha256 == sha256:
                del self._kept[index]
                return

    def pixels(self, sha256: str) -> Pixels | None:
        """Return the pixels (rows, columns), read-only, or None if they are not kept."""
        return next((pixels for ref, pixels in self._kept if ref.sha256 == sha256), None)

    def close(self) -> None:
        """Forget everything; the name finds nothing any more."""
        self._kept.clear()
        if self._by_name.get(self.name) is self:
            del self._by_name[self.name]


def fetch(ref: FrameRef) -> Pixels:
    """Return the pixels (rows, columns) of a reference, read-only.

    Raises:
        FrameCorruptError: they are gone, or do not fit size and checksum of the reference.
        ValueError: the reference points to something that is no spool.
    """
    kind, _, name = ref.where.partition(":")
    if kind == "file":
        data = _file_bytes(ref)
    elif kind == "memory":
        spool = MemorySpool.find(name)
        pixels = None if spool is None else spool.pixels(ref.sha256)
        if pixels is None:
            raise FrameCorruptError(f"frame {ref.sha256[:12]} is not in the spool {name!r}")
        data = pixels.tobytes()
    else:
        raise ValueError(f"{ref.where!r} is no spool: expected file:///... or memory:<name>")
    wanted = ref.width_px * ref.height_px * _WIRE.itemsize
    if len(data) != wanted:
        raise FrameCorruptError(
            f"frame {ref.sha256[:12]} has {len(data)} bytes; {ref.width_px} x {ref.height_px} px "
            f"are {wanted}"
        )
    found = hashlib.sha256(data).hexdigest()
    if found != ref.sha256:
        raise FrameCorruptError(f"frame {ref.sha256[:12]} has the checksum {found[:12]}")
    return _as_pixels(data, ref)


def _file_bytes(ref: FrameRef) -> bytes:
    path = Path(unquote(urlparse(ref.where).path))
    try:
        return path.read_bytes()
    except OSError as error:
        raise FrameCorruptError(f"frame {ref.sha256[:12]} cannot be read: {error}") from error


def _wire_bytes(pixels: Pixels, ref: FrameRef) -> tuple[bytes, str]:
    if pixels.dtype != np.uint16 or pixels.shape != (ref.height_px, ref.width_px):
        raise ValueError(
            f"pixels are {pixels.dtype} of shape {pixels.shape}; the reference says uint16 of "
            f"shape {(ref.height_px, ref.width_px)}"
        )
    data = pixels.astype(_WIRE, copy=False).tobytes()
    return data, hashlib.sha256(data).hexdigest()


def _as_pixels(data: bytes, ref: FrameRef) -> Pixels:
    return np.frombuffer(data, dtype=_WIRE).reshape(ref.height_px, ref.width_px)
