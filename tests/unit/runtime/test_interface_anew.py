"""A rehearsal makes room for itself, and never at the cost of anything else."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from midwatch.clock import VirtualClock
from midwatch.errors import InputError
from midwatch.journal.facts import night_facts as e
from midwatch.journal.store import Journal
from midwatch.runtime.folder import make_room

EVENING = date(2027, 3, 10)
NIGHT = EVENING.isoformat()


def inform(folder: Path, night: str, *, rehearsal: bool, files: tuple[str, ...] = ()) -> None:
    """Leave a night in a data folder: its journal, and the files that the journal names."""
    clock = VirtualClock(datetime(2027, 3, 10, 18, 0, tzinfo=UTC))
    folder.mkdir(exist_ok=True)
    journal = Journal.open(folder / "journal.sqlite", clock, durable=False)
    journal.begin_night(night)
    journal.append(
        e.NightBegan(night=night, site="S", rig="R", evening=night, seed=1, rehearsal=rehearsal,
                     sky_mode=None, dusk_utc_s=1e9, dawn_utc_s=1.00001e9, orders_sha256="",
                     version="0")
    )  # fmt: skip
    for number, name in enumerate(files):
        path = folder / night / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("pixels")
        journal.append(e.FrameFiled(exposure_id=str(number), path=name, file_sha256="", bytes=6))
    journal.close()


def test_an_empty_or_missing_folder_needs_no_room(tmp_path: Path) -> None:
    make_room(tmp_path, EVENING)
    make_room(tmp_path / "none", EVENING)
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_rehearsal_goes_with_everything_it_wrote(tmp_path: Path) -> None:
    inform(tmp_path, NIGHT, rehearsal=True, files=("frames/M 101/a.fits", "calibration/b.fits"))
    (tmp_path / NIGHT / "night.json").write_text("{}")
    (tmp_path / NIGHT / "report.html").write_text("")
    make_room(tmp_path, EVENING)
    assert [path.name for path in tmp_path.rglob("*")] == []


def test_what_somebody_put_next_to_it_stays(tmp_path: Path) -> None:
    inform(tmp_path, NIGHT, rehearsal=True, files=("frames/M 101/a.fits",))
    note = tmp_path / NIGHT / "frames" / "M 101" / "notes.txt"
    note.write_text("thin clouds at midnight")
    (tmp_path / "stack.fits").write_text("mine")
    make_room(tmp_path, EVENING)
    assert note.read_text() == "thin clouds at midnight"
    assert (tmp_path / "stack.fits").exists()
    assert not (note.parent / "a.fits").exists()
    assert not (tmp_path / "journal.sqlite").exists()


def test_a_real_night_is_never_touched(tmp_path: Path) -> None:
    inform(tmp_path, NIGHT, rehearsal=False, files=("frames/M 101/a.fits",))
    with pytest.raises(InputError, match=r"holds real nights \(2027-03-10\); rehearse"):
        make_room(tmp_path, EVENING)
    with pytest.raises(InputError, match="real nights"):
        make_room(tmp_path, date(2027, 3, 11))  # nor is its journal written into
    assert (tmp_path / NIGHT / "frames" / "M 101" / "a.fits").exists()


def test_a_rehearsal_of_another_evening_is_added_to_the_journal(tmp_path: Path) -> None:
    inform(tmp_path, NIGHT, rehearsal=True, files=("frames/a.fits",))
    make_room(tmp_path, date(2027, 3, 11))
    assert (tmp_path / NIGHT / "frames" / "a.fits").exists()
    assert (tmp_path / "journal.sqlite").exists()


def test_other_rehearsals_in_the_journal_are_not_lost_silently(tmp_path: Path) -> None:
    inform(tmp_path, NIGHT, rehearsal=True)
    inform(tmp_path, "2027-03-11", rehearsal=True)
    with pytest.raises(InputError, match="holds rehearsals of 2027-03-11 besides 2027-03-10"):
        make_room(tmp_path, EVENING)
    assert (tmp_path / "journal.sqlite").exists()


def test_files_that_no_journal_speaks_of_are_not_touched(tmp_path: Path) -> None:
    (tmp_path / NIGHT).mkdir()
    (tmp_path / NIGHT / "night.json").write_text("{}")
    with pytest.raises(InputError, match="no journal says whose"):
        make_room(tmp_path, EVENING)
    assert (tmp_path / NIGHT / "night.json").exists()
