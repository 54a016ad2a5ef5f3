"""What a driver wants to find when it is started again: a few facts, kept whole or not at all.

Nothing in it may be needed for safety: after a power cut it may be old, after a repair wrong.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

import structlog
from pydantic import JsonValue

__all__ = ["FileKeptFacts", "KeptFacts", "MemoryKeptFacts"]

_log = structlog.get_logger(__name__)


class KeptFacts(Protocol):
    """A few facts of one device."""

    def load(self) -> dict[str, JsonValue]:
        """Return what was kept last; empty where there is nothing, or nothing readable."""

    def save(self, facts: Mapping[str, JsonValue]) -> None:
        """Keep these facts in place of the former ones; failures are logged, not raised."""


class MemoryKeptFacts:
    """Kept as long as the object lives: for rehearsals."""

    def __init__(self) -> None:
        self._facts: dict[str, JsonValue] = {}

    def load(self) -> dict[str, JsonValue]:
        """Return what was kept last."""
        return dict(self._facts)

    def save(self, facts: Mapping[str, JsonValue]) -> None:
        """Keep these facts."""
        self._facts = dict(facts)


class FileKeptFacts:
    """Kept in a file, replaced as a whole."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def load(self) -> dict[str, JsonValue]:
        """Return what was kept last."""
        try:
            facts = json.loads(self._path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            _log.warning("keepsake_unreadable", file=self._path.name, error=str(error))
            return {}
        return facts if isinstance(facts, dict) else {}

    def save(self, facts: Mapping[str, JsonValue]) -> None:
        """Keep these facts."""
        unfinished = self._path.with_suffix(".part")
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with unfinished.open("w", encoding="utf-8") as file:
                json.dump(dict(facts), file)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(self._path)
        except OSError as error:
            _log.warning("keepsake_not_saved", file=self._path.name, error=str(error))
