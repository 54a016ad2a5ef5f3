"""Tables of nights that are too long for every run: some rows each time, all of them on demand."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")
WHOLE = bool(os.environ.get("MIDWATCH_WHOLE_TABLES"))


def thinned(rows: Sequence[T], every: int) -> list[T]:
    """Return one row in `every`; all where the environment asks for whole tables."""
    return list(rows if WHOLE else rows[::every])
