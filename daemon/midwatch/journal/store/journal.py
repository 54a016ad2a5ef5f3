"""The journal: an append-only, hash-chained record of everything that happened.

One SQLite file holds all nights of a data folder. Rows are never changed: triggers refuse it, and
every row carries a digest over the previous one, so that a change made past them is found. What
does not verify when the journal is opened is moved aside whole, never dropped.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, ClassVar, Self, TypeVar

from midwatch.clock import Clock
from midwatch.errors import MakeSafeError, StopError, UnreachableError
from midwatch.journal.facts import FACTS, Fact, Notice
from midwatch.journal.store import quarantine
from midwatch.journal.store.chain import (
    COLUMNS,
    GENESIS,
    UNREADABLE,
    canonical,
    link,
    rounded_fact,
    walk,
)
from midwatch.journal.store.damage import find_damage, rebuild, save_torn_log
from midwatch.journal.store.database import JournalInUseError, check_identity, connect, lock

__all__ = [
    "GENESIS",
    "Event",
    "Journal",
    "JournalInUseError",
    "JournalWriteError",
    "digest_of",
    "digest_of_events",
    "facts_of",
    "read_events",
]

# Appends between commits of a journal that need not survive a power cut. Too low costs time in
# rehearsals; too high only delays what another process can read of a rehearsal while it runs.
_BATCH = 500
F = TypeVar("F", bound=Fact)


class JournalWriteError(MakeSafeError):
    """The journal cannot be written; a night that leaves no record must not go on."""

    exit_code: ClassVar[int] = UnreachableError.exit_code

    def __init__(self, error: sqlite3.Error) -> None:
        remedy = "make room on the disk, and start the same command again"
        super().__init__(f"the journal cannot be written: {error}; {remedy}")


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    Attributes:
        seq: Its place in the journal, from 1, without gaps.
        at_utc_s: POSIX seconds UTC, rounded to 1 ms. Order goes by ``seq``: a clock may be set.
        night: Name of the night; empty for what happens outside one.
        fact: What happened, floats rounded to 6 decimals.
        digest: Blake2b over the previous event's digest and this event, hexadecimal.
    """

    seq: int
    at_utc_s: float
    night: str
    fact: Fact
    digest: str


class Journal:
    """The journal of one data folder, open for appending. Only one at a time may be."""

    def __init__(
        self, connection: sqlite3.Connection, clock: Clock, lock: IO[str], *, durable: bool
    ) -> None:
        self._connection = connection
        self._clock = clock
        self._lock = lock
        self._durable = durable
        self._night = ""
        self._uncommitted = 0
        self._listeners: list[Callable[[Event], None]] = []
        self._insert = f"INSERT INTO events ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608
        last: tuple[int, str, str] = connection.execute(
            "SELECT seq, night, digest FROM events ORDER BY seq DESC LIMIT 1"
        ).fetchone() or (0, "", GENESIS)
        self._seq, self._last_night, self._head = last

    @classmethod
    def open(cls, path: Path, clock: Clock, *, durable: bool = True) -> Self:
        """Open a journal, making it if there is none.

        Args:
            path: The file; its folder must exist.
            clock: Stamps the events.
            durable: Every append is on the disk before it returns. Rehearsals do without, and
                commit in batches.

        Raises:
            JournalInUseError: Another process has it open for appending.
            StopError: The file belongs to another program or a newer version.
        """
        held = lock(path)
        try:
            quarantine.finish_swap(path)
            torn = save_torn_log(path)
            damage = find_damage(path) if path.exists() else None
            if damage is not None:
                rebuild(path, damage.good)
            connection = connect(path, durable=durable)
            _check_kinds(connection, path)
        except BaseException:
            held.close()
            raise
        journal = cls(connection, clock, held, durable=durable)
        messages = [torn] if torn is not None else []
        if damage is not None:
            messages.append(damage.message(quarantine.aside_path(path).name))
        journal._night = journal._last_night if messages else ""
        for message in messages:
            journal.append(Notice(message=message))
        return journal

    @property
    def night(self) -> str:
        """The night that appended events belong to."""
        return self._night

    def begin_night(self, night: str) -> None:
        """Name the night of the events appended from now on."""
        self._night = night

    def listen(self, callback: Callable[[Event], None]) -> None:
        """Hand every event appended from now on to `callback`, after it was stored."""
        self._listeners.append(callback)

    def append(self, fact: Fact) -> Event:
        """Store what happened; it is on the disk when this returns (if the journal is durable).

        Raises:
            JournalWriteError: It could not be stored (disk full, disk gone).
        """
        fact = rounded_fact(fact)
        at_utc_s = round(self._clock.unix_s(), 3)
        facts = canonical(fact)
        seq = self._seq + 1
        digest = link(self._head, seq, at_utc_s, self._night, fact.kind, facts)
        try:
            if not self._durable and not self._uncommitted:
                self._connection.execute("BEGIN")
            self._connection.execute(
                self._insert, (seq, at_utc_s, self._night, fact.kind, facts, digest)
            )
            self._uncommitted += 1
            if not self._durable and self._uncommitted >= _BATCH:
                self._commit()
        except sqlite3.Error as error:
            raise JournalWriteError(error) from error
        self._seq, self._head = seq, digest
        event = Event(seq, at_utc_s, self._night, fact, digest)
        for listener in self._listeners:
            listener(event)
        return event

    def events(self, night: str | None = None) -> Iterator[Event]:
        """Yield the events of one night, or all, in the order of the journal."""
        return _events(self._connection, night)

    def nights(self) -> tuple[str, ...]:
        """Return the names of the nights, oldest first."""
        return _nights(self._connection)

    def head(self) -> str:
        """Return the digest of the last event: it covers the whole journal."""
        return self._head

    def verify(self) -> None:
        """Verify the whole chain.

        Raises:
            StopError: An event does not follow from the one before it.
        """
        good, problem = walk(self._connection, after=0, head=GENESIS)
        if problem is not None:
            raise StopError(f"{problem}; {len(good)} events before it are good")

    def close(self) -> None:
        """Commit and close; the journal cannot be used afterwards.

        Raises:
            JournalWriteError: What was appended last could not be stored.
        """
        try:
            self._commit()
        except sqlite3.Error as error:
            raise JournalWriteError(error) from error
        finally:
            self._connection.close()
            self._lock.close()

    def _commit(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("COMMIT")
        self._uncommitted = 0


def read_events(path: Path, night: str | None = None, after: int = 0) -> list[Event]:
    """Read a journal that may be in use by a daemon.

    Args:
        path: The file.
        night: Of this night only.
        after: Only what comes after this place in the journal.

    Raises:
        FileNotFoundError: There is no journal.
        StopError: The file is not a journal of this version, or is damaged.
    """
    if not path.exists():
        raise FileNotFoundError(f"there is no journal at {path}")
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    try:
        check_identity(connection, path)
        return list(_events(connection, night, after))
    except UNREADABLE as error:
        raise StopError(f"{path} is damaged ({error}); opening it to write repairs it") from error
    finally:
        connection.close()


def digest_of(path: Path, night: str | None = None) -> str:
    """Return the digest of a night (or of all) in a journal; see `digest_of_events`."""
    return digest_of_events(read_events(path, night))


def digest_of_events(events: Iterable[Event]) -> str:
    """Return one digest of what happened and when, wherever in a journal it is.

    Two runs of the same rehearsal give the same digest even if other nights precede one of them.
    """
    head = GENESIS
    for number, event in enumerate(events, start=1):
        facts = canonical(event.fact)
        head = link(head, number, event.at_utc_s, event.night, event.fact.kind, facts)
    return head


def facts_of(events: Iterable[Event], kind: type[F]) -> list[tuple[float, F]]:
    """Return the facts of one kind with their moments (POSIX seconds UTC), in order."""
    return [(event.at_utc_s, event.fact) for event in events if isinstance(event.fact, kind)]


# Files ---------------------------------------------------------------------------------------


def _check_kinds(connection: sqlite3.Connection, path: Path) -> None:
    kinds = [kind for (kind,) in connection.execute("SELECT DISTINCT kind FROM events")]
    unknown = sorted(kind for kind in kinds if kind not in FACTS)
    if unknown:
        connection.close()
        raise StopError(f"{path} holds events that this version does not know: {unknown}")


def _events(connection: sqlite3.Connection, night: str | None, after: int = 0) -> Iterator[Event]:
    where, values = ("", (after,)) if night is None else ("AND night = ?", (after, night))
    rows = connection.execute(
        f"SELECT {COLUMNS} FROM events WHERE seq > ? {where} ORDER BY seq",  # noqa: S608
        values,
    )
    for seq, at_utc_s, name, kind, facts, digest in rows:
        if kind not in FACTS:
            raise StopError(
                f"event {seq} is of the kind {kind!r}, which this version does not know"
            )
        yield Event(seq, at_utc_s, name, FACTS[kind].model_validate_json(facts), digest)


def _nights(connection: sqlite3.Connection) -> tuple[str, ...]:
    rows = connection.execute(
        "SELECT night FROM events WHERE night != '' GROUP BY night ORDER BY min(seq)"
    )
    return tuple(night for (night,) in rows)
