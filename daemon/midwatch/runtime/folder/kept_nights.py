"""Finds the nights in a data folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from midwatch.errors import InputError
from midwatch.journal.facts import NightBegan
from midwatch.journal.store import Event, facts_of, read_events
from midwatch.runtime.folder.surroundings import Surroundings

JOURNAL_NAME = "journal.sqlite"


@dataclass(frozen=True)
class KeptNight:
    """One night of a data folder: its name, its events, its folder, the events of all nights."""

    name: str
    events: list[Event]
    folder: Path
    history: list[Event]

    @property
    def began(self) -> NightBegan:
        """Its latest beginning."""
        return facts_of(self.events, NightBegan)[-1][1]

    def surroundings(self, orders: Path | None) -> Surroundings:
        """Return site and limits: as its folder keeps them, else by the orders.

        Raises:
            InputError: neither is there.
        """
        if orders is not None:
            from midwatch.runtime.files import load_orders

            return Surroundings.of(load_orders(orders))
        try:
            return Surroundings.read(self.folder)
        except FileNotFoundError:
            raise InputError(
                f"{self.folder}: has no surroundings.json with the site; give --orders ORDERS"
            ) from None


def find_night(data_folder: Path, name: str | None) -> KeptNight:
    """Return a night of a data folder, or the latest.

    Raises:
        InputError: there is no journal, no such night, or the journal is empty.
        StopError: the journal is damaged, or of another program or version.
    """
    events = _events(data_folder / JOURNAL_NAME)
    nights = list(dict.fromkeys(event.night for event in events if event.night))
    if not nights:
        raise InputError(f"{data_folder}: the journal holds no night yet")
    if name is None:
        name = nights[-1]
    elif name not in nights:
        raise InputError(f"{data_folder}: no night {name!r}; it holds {', '.join(nights)}")
    kept = KeptNight(name, [e for e in events if e.night == name], data_folder / name, events)
    if not facts_of(kept.events, NightBegan):
        raise InputError(f"{data_folder}: night {name} never began")
    return kept


def _events(path: Path) -> list[Event]:
    try:
        return read_events(path)
    except FileNotFoundError:
        raise InputError(
            f"{path}: there is no journal; --out names the data folder of a run or rehearsal"
        ) from None
