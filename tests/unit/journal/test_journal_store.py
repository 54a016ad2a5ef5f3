import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from midwatch.errors import StopError
from midwatch.journal.facts import Activity, DecisionMade, Notice, Sample
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Journal, digest_of_events, facts_of, read_events
from midwatch.journal.store.chain import GENESIS
from midwatch.journal.store.database import JournalInUseError
from midwatch.journal.store.journal import JournalWriteError, digest_of
from support.journal_story import NIGHT, StoryClock, story_night


@pytest.fixture
def clock() -> StoryClock:
    return StoryClock(1804704237.1234567)


def fill(path: Path, clock: StoryClock, count: int, *, durable: bool = False) -> Journal:
    journal = Journal.open(path, clock, durable=durable)
    journal.begin_night(NIGHT)
    for number in range(count):
        clock.utc_s += 1.25
        journal.append(Notice(message=f"thing {number} " + "x" * 40))
    return journal


def tamper(path: Path, statement: str) -> None:
    """Change a closed journal past its triggers, as a careless hand with a database tool would."""
    connection = sqlite3.connect(path)
    connection.executescript("DROP TRIGGER events_never_change; DROP TRIGGER events_never_go")
    connection.execute(statement)
    connection.commit()
    connection.close()


def test_what_is_read_back_is_what_was_returned_and_heard(tmp_path, clock):
    journal = Journal.open(tmp_path / "journal.sqlite", clock, durable=False)
    heard = []
    journal.listen(heard.append)
    journal.begin_night(NIGHT)
    first = journal.append(Sample(air_c=-0.00000004, sensor_c=-10.00000049, wind_ms=1 / 3))
    second = journal.append(
        DecisionMade(
            duty="expose",
            args={"exposure_s": 0.1 + 0.2, "deep": [{"x": 2 / 3}]},
            rule="next_frame",
            reason="best",
            ruled_out=(("wait", "no"),),
        )
    )
    assert list(journal.events(NIGHT)) == heard == [first, second]
    assert first.at_utc_s == 1804704237.123
    assert repr(first.fact.air_c) == "0.0"
    assert (first.fact.sensor_c, first.fact.wind_ms) == (-10.0, 0.333333)
    assert second.fact.args == {"exposure_s": 0.3, "deep": [{"x": 0.666667}]}
    assert (first.seq, second.seq) == (1, 2)
    assert journal.nights() == (NIGHT,)
    journal.close()


def test_a_record_folded_live_equals_one_folded_from_the_file(tmp_path, clock):
    live = NightRecord()
    journal = Journal.open(tmp_path / "journal.sqlite", clock, durable=False)
    journal.listen(live.apply)
    journal.begin_night(NIGHT)
    for event in story_night().events:
        clock.utc_s = event.at_utc_s
        journal.append(event.fact)
    journal.close()
    assert NightRecord.from_events(read_events(tmp_path / "journal.sqlite")) == live
    assert digest_of(tmp_path / "journal.sqlite") == digest_of_events(story_night().events)


def test_rows_can_be_neither_changed_nor_deleted(tmp_path, clock):
    fill(tmp_path / "journal.sqlite", clock, 3).close()
    connection = sqlite3.connect(tmp_path / "journal.sqlite")
    for statement in ("UPDATE events SET facts = '{}' WHERE seq = 1", "DELETE FROM events"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(statement)
    connection.close()


def test_a_durable_append_is_there_for_others_at_once(tmp_path, clock):
    journal = fill(tmp_path / "journal.sqlite", clock, 2, durable=True)
    assert len(read_events(tmp_path / "journal.sqlite")) == 2
    journal.close()


def test_one_writer_at_a_time_and_readers_next_to_it(tmp_path, clock):
    path = tmp_path / "journal.sqlite"
    journal = fill(path, clock, 1, durable=True)
    with pytest.raises(JournalInUseError, match="another process writes"):
        Journal.open(path, clock)
    assert len(read_events(path, NIGHT)) == 1
    assert read_events(path, "another night") == []
    journal.close()
    Journal.open(path, clock).close()


def test_reading_a_missing_journal_says_so(tmp_path):
    with pytest.raises(FileNotFoundError, match="there is no journal at"):
        read_events(tmp_path / "journal.sqlite")


def test_reopening_goes_on_with_the_chain(tmp_path, clock):
    path = tmp_path / "journal.sqlite"
    journal = fill(path, clock, 5)
    head = journal.head()
    journal.close()
    journal = Journal.open(path, clock)
    assert journal.head() == head != GENESIS
    assert journal.append(Notice(message="six")).seq == 6
    journal.verify()
    journal.close()
    assert list(tmp_path.glob("*damaged*")) == []


def test_the_digest_of_a_night_does_not_depend_on_nights_before(tmp_path):
    paths = [tmp_path / name / "journal.sqlite" for name in ("first", "second")]
    for path in paths:
        path.parent.mkdir()
    earlier = Journal.open(paths[1], StoryClock(1.0), durable=False)
    earlier.begin_night("2027-03-09")
    earlier.append(Notice(message="another night"))
    earlier.close()
    for path in paths:
        fill(path, StoryClock(1000.0), 4).close()
    assert digest_of(paths[0], NIGHT) == digest_of(paths[1], NIGHT)
    assert digest_of(paths[0]) != digest_of(paths[1])


@pytest.mark.parametrize(
    ("statement", "kept", "found"),
    [
        ("UPDATE events SET facts = replace(facts, '8', '9') WHERE seq = 9", 8, "event 9 does not"),
        ("UPDATE events SET at_utc_s = at_utc_s + 1 WHERE seq = 4", 3, "event 4 does not match"),
        ("DELETE FROM events WHERE seq = 6", 5, "event 6 is missing"),
        ("UPDATE events SET kind = 'rumour' WHERE seq = 2", 1, "event 2 does not match"),
    ],
)
def test_a_damaged_tail_is_set_aside_whole_and_reported(tmp_path, clock, statement, kept, found):
    path = tmp_path / "journal.sqlite"
    journal = fill(path, clock, 10)
    original = list(journal.events())
    journal.close()
    tamper(path, statement)
    journal = Journal.open(path, clock)
    events = list(journal.events())
    journal.verify()
    journal.close()
    assert events[:-1] == original[:kept]
    assert found in events[-1].fact.message
    assert "journal.sqlite.damaged-1" in events[-1].fact.message
    assert events[-1].night == NIGHT
    aside = sqlite3.connect(tmp_path / "journal.sqlite.damaged-1")
    assert aside.execute("SELECT count(*) FROM events").fetchone()[0] >= 9
    aside.close()


def test_bytes_damaged_anywhere_never_lose_silently(tmp_path, clock):
    source = tmp_path / "journal.sqlite"
    journal = fill(source, clock, 200)
    original = list(journal.events())
    journal.close()
    random = np.random.default_rng(20270310)
    content = source.read_bytes()
    noticed = 0
    for case in range(18):
        folder = tmp_path / str(case)
        folder.mkdir()
        path = folder / "journal.sqlite"
        at = int(random.integers(len(content)))
        path.write_bytes(content[:at] + bytes([content[at] ^ 0xFF]) + content[at + 1 :])
        try:
            journal = Journal.open(path, clock, durable=False)
        except StopError:
            continue  # its very identity is gone: refused, and left as it was
        events = list(journal.events())
        journal.verify()
        journal.close()
        seen = [event for event in events if "was damaged" in event.fact.message]
        untold = events[: -len(seen)] if seen else events
        assert untold == original[: len(untold)]
        if len(untold) < len(original):
            assert seen
            assert len((folder / "journal.sqlite.damaged-1").read_bytes()) == len(content)
            noticed += 1
    assert noticed >= 4


def test_a_file_that_is_no_database_is_set_aside(tmp_path, clock):
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"a shopping list\n" * 400)
    journal = Journal.open(path, clock)
    (event,) = journal.events()
    assert "cannot be read" in event.fact.message
    journal.close()
    assert (tmp_path / "journal.sqlite.damaged-1").read_bytes().startswith(b"a shopping")


def test_a_second_damage_does_not_overwrite_the_first(tmp_path, clock):
    path = tmp_path / "journal.sqlite"
    for number in (1, 2):
        path.write_bytes(b"broken %d " % number * 100)
        Journal.open(path, clock).close()
    assert (tmp_path / "journal.sqlite.damaged-1").read_bytes().startswith(b"broken 1")
    assert (tmp_path / "journal.sqlite.damaged-2").read_bytes().startswith(b"broken 2")


def test_events_of_a_newer_version_are_refused_not_set_aside(tmp_path, clock):
    class Rumour(Notice):
        kind = "rumour"

    path = tmp_path / "journal.sqlite"
    journal = fill(path, clock, 2)
    journal.append(Rumour(message="from the future"))
    journal.close()
    for attempt in (lambda: Journal.open(path, clock), lambda: read_events(path)):
        with pytest.raises(StopError, match="does not know"):
            attempt()
    assert not list(tmp_path.glob("*damaged*"))


def test_another_programs_database_is_left_alone(tmp_path, clock):
    path = tmp_path / "journal.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE birds (name)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StopError, match="another program"):
        Journal.open(path, clock)
    assert path.read_bytes() == before


@pytest.mark.parametrize("step", range(5))
def test_a_swap_cut_short_at_any_step_is_finished_later(tmp_path, clock, monkeypatch, step):
    path = tmp_path / "journal.sqlite"
    journal = fill(path, clock, 10)
    original = list(journal.events())
    journal.close()
    tamper(path, "DELETE FROM events WHERE seq = 8")
    (tmp_path / "journal.sqlite-wal").write_bytes(b"stale")
    replace, calls = Path.replace, []

    def cut(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == step + 1:
            raise KeyboardInterrupt
        return replace(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", cut)
        try:
            Journal.open(path, clock).close()
        except KeyboardInterrupt:
            assert len(calls) == step + 1
    journal = Journal.open(path, clock)
    journal.verify()
    kept = list(journal.events())
    journal.close()
    assert kept[:7] == original[:7]
    assert all("damaged" in event.fact.message for event in kept[7:])
    aside = sqlite3.connect(tmp_path / "journal.sqlite.damaged-1")
    assert aside.execute("SELECT count(*) FROM events").fetchone() == (9,)
    aside.close()


def test_a_full_disk_is_an_error_that_makes_the_rig_safe(tmp_path, clock):
    journal = fill(tmp_path / "journal.sqlite", clock, 3, durable=True)
    pages = journal._connection.execute("PRAGMA page_count").fetchone()[0]
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(JournalWriteError, match="cannot be written"):
        for _ in range(200):
            journal.append(Notice(message="y" * 200))
    stored = len(list(journal.events()))
    journal._connection.execute("PRAGMA max_page_count = 100000")
    assert journal.append(Activity(cause="paused")).seq == stored + 1
    journal.verify()
    journal.close()


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_what_was_reported_before_a_kill_is_there_after_it(tmp_path):
    program = (
        "import sys; from pathlib import Path\n"
        "from midwatch.clock import WallClock\n"
        "from midwatch.journal.store import Journal\n"
        "from midwatch.journal.facts import Notice\n"
        "journal = Journal.open(Path(sys.argv[1]), WallClock())\n"
        "journal.begin_night('n')\n"
        "while True:\n"
        "    print(journal.append(Notice(message='here')).seq, flush=True)\n"
    )
    path = tmp_path / "journal.sqlite"
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        seen = [int(child.stdout.readline()) for _ in range(25)]
        os.kill(child.pid, signal.SIGKILL)
        seen += [int(line) for line in child.stdout if line.endswith("\n")]
    journal = Journal.open(path, StoryClock(1.0))
    events = list(journal.events())
    journal.close()
    messages = [notice.message for _, notice in facts_of(events, Notice)]
    # An append that the kill cut short was not told; that its beginning lay in the log is.
    cut = [message for message in messages if message != "here"]
    assert seen[-1] <= len(messages) - len(cut) <= seen[-1] + 1
    assert len(cut) == len(list(tmp_path.glob("*damaged*"))) <= 1
    assert all("is cut short" in message for message in cut)
