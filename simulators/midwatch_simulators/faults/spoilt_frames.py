"""Frames that a simulated camera, or its cable, has spoilt; the spool itself is honest."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray
from pydantic import JsonValue, TypeAdapter, ValidationError

from midwatch.devices.contract import Spool
from midwatch.devices.contract.kinds import FrameRef
from midwatch_simulators.faults.troubles import Troubles

Pixels = NDArray[np.uint16]

_KEPT = TypeAdapter(dict[str, FrameRef])


class SpoiltFrames:
    """A camera's way to its spool, on which frames may suffer.

    ``frame-truncated``: the lower half never arrives; the reference promises the whole.
    ``frame-corrupt``: a bit of one row flips between the sum and the spool.
    ``frame-wrong-size``: the frame is whole and sound, but smaller than the camera's announced
    sides by a quarter of each.
    """

    def __init__(self, spool: Spool, troubles: Troubles) -> None:
        self._spool = spool
        self._troubles = troubles
        # What the driver says of a frame, by the sum of what is really in the spool.
        self._said: dict[str, FrameRef] = {}

    def keep(self, pixels: Pixels, ref: FrameRef) -> FrameRef:
        """Store pixels (rows, columns) and return the reference, as `Spool.keep` does."""
        height, width = pixels.shape
        if self._troubles.active("frame-wrong-size"):
            pixels = np.ascontiguousarray(pixels[: 3 * height // 4, : 3 * width // 4])
            height, width = pixels.shape
            ref = ref.model_copy(update={"height_px": height, "width_px": width})
        if self._troubles.active("frame-truncated"):
            half = height // 2
            short = ref.model_copy(update={"height_px": half})
            stored = self._spool.keep(np.ascontiguousarray(pixels[:half]), short)
            return self._say(stored, {"height_px": height})
        if self._troubles.active("frame-corrupt"):
            flipped = pixels.copy()
            flipped[height // 3] ^= np.uint16(1 << 12)
            stored = self._spool.keep(flipped, ref)
            wire = np.ascontiguousarray(pixels.astype("<u2", copy=False))
            return self._say(stored, {"sha256": hashlib.sha256(wire.tobytes()).hexdigest()})
        return self._spool.keep(pixels, ref)

    def waiting(self) -> tuple[FrameRef, ...]:
        """Return what has not been dropped, oldest first, as it was reported."""
        if not self._said:
            return self._spool.waiting()
        return tuple(self._said.get(ref.sha256, ref) for ref in self._spool.waiting())

    def drop(self, sha256: str) -> None:
        """Forget a frame by the sum that was reported."""
        for stored, said in self._said.items():
            if said.sha256 == sha256:
                del self._said[stored]
                self._spool.drop(stored)
                return
        self._spool.drop(sha256)

    def save(self) -> dict[str, JsonValue]:
        """Return what `load` goes on from."""
        return {stored: said.model_dump(mode="json") for stored, said in self._said.items()}

    def load(self, kept: JsonValue) -> None:
        """Go on from what `save` returned; what is not in the spool any more is forgotten."""
        try:
            said = _KEPT.validate_python(kept)
        except ValidationError:
            return
        there = {ref.sha256 for ref in self._spool.waiting()}
        self._said = {stored: ref for stored, ref in said.items() if stored in there}

    def _say(self, stored: FrameRef, changes: dict[str, object]) -> FrameRef:
        said = stored.model_copy(update=changes)
        self._said[stored.sha256] = said
        return said
