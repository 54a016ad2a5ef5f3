"""Makes room for a rehearsal where one was before, and never touches a real night."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path

from midwatch.errors import InputError
from midwatch.journal.facts import FrameFiled, FrameRegraded, NightBegan
from midwatch.journal.store import Event, facts_of, read_events
from midwatch.learning import PROPOSAL_NAME
from midwatch.runtime.folder.kept_nights import JOURNAL_NAME
from midwatch.runtime.folder.surroundings import FILE_NAME

_WRITTEN = ("night.json", "report.html", "checksums.sha256", FILE_NAME)
_JOURNAL_FILES = ("", "-wal", "-shm", ".lock")


def make_room(data_folder: Path, evening: date) -> None:
    """Remove what an earlier rehearsal of the same evening wrote, and nothing else.

    The files of a rehearsal are those that its journal names; what anyone else put next to them
    stays. A journal is append-only, so a rehearsal can only be taken out of it with the whole
    journal; that is done if it holds nothing else.

    Raises:
        InputError: the folder holds a real night, or the journal other rehearsals that would go
            with this one.
    """
    path = data_folder / JOURNAL_NAME
    night = evening.isoformat()
    folder = data_folder / night
    if not path.exists():
        if folder.is_dir() and any(folder.iterdir()):
            raise InputError(
                f"{folder}: holds files, and no journal says whose; rehearse into another --out"
            )
        return
    events = read_events(path)
    _refuse_real_nights(data_folder, events)
    nights = {event.night for event in events if event.night}
    if night not in nights:
        return
    if others := sorted(nights - {night}):
        raise InputError(
            f"{path}: holds rehearsals of {', '.join(others)} besides {night}, and they would go "
            f"with it; rehearse into another --out, or remove {data_folder} yourself"
        )
    _remove_night(folder, events)
    (data_folder / PROPOSAL_NAME).unlink(missing_ok=True)
    for suffix in _JOURNAL_FILES:
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _refuse_real_nights(data_folder: Path, events: Iterable[Event]) -> None:
    real = [began.night for _, began in facts_of(events, NightBegan) if not began.rehearsal]
    if real:
        raise InputError(
            f"{data_folder}: holds real nights ({', '.join(dict.fromkeys(real))}); rehearse into "
            "another --out folder"
        )


def _remove_night(folder: Path, events: Sequence[Event]) -> None:
    for _, again in facts_of(events, FrameRegraded):
        if again.path is not None:
            (folder / again.path).unlink(missing_ok=True)
    for _, filed in facts_of(events, FrameFiled):
        (folder / filed.path).unlink(missing_ok=True)
        if filed.preview is not None:
            (folder / filed.preview).unlink(missing_ok=True)
    for name in _WRITTEN:
        (folder / name).unlink(missing_ok=True)
    if not folder.is_dir():
        return
    # Deepest first, so that folders which have become empty go, and others stay.
    for inside in sorted((p for p in folder.rglob("*") if p.is_dir()), reverse=True):
        if not any(inside.iterdir()):
            inside.rmdir()
    if not any(folder.iterdir()):
        folder.rmdir()
