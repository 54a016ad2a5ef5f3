"""What a power cut or a bad sector leaves: frames and journal whole, damage aside and told."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from midwatch.clock import VirtualClock
from midwatch.devices.client import FolderSpool, fetch
from midwatch.devices.contract.kinds import FrameRef
from midwatch.durable import write_whole
from midwatch.errors import StopError
from midwatch.imaging.files import write_fits
from midwatch.journal.facts import Notice
from midwatch.journal.promises import take_inventory
from midwatch.journal.store import Journal

CLOCK = VirtualClock(datetime(2027, 3, 10, 20, tzinfo=UTC))
SEED = 20270310


def pixels(number: int) -> np.ndarray:
    return np.full((6, 8), 1000 + number, dtype=np.uint16)


def ref(number: int) -> FrameRef:
    return FrameRef(
        exposure_id=f"e{number}", sha256="0" * 64, where="file:///nowhere",
        width_px=8, height_px=6, binning=1,
        bayer=None, frame="light", exposure_s=60.0, began_at=CLOCK.now(), gain=100, offset=10,
        sensor_c=-5.0, setpoint_c=-5.0, pixel_um=3.76, electrons_per_adu=1.0, saturation_adu=65535,
    )  # fmt: skip


# A disk that loses its power --------------------------------------------------------------------


@dataclass(frozen=True)
class _Moment:
    """What stands on the disk: synced contents by inode, synced and present names by folder."""

    contents: dict[int, bytes]
    synced: dict[Path, dict[str, int]]
    present: dict[Path, dict[str, int]]


class FragileDisk:
    """Remembers what was forced to the disk, and rebuilds what a power cut would leave.

    POSIX promises the content of a file after fsync of the file, and its name after fsync of its
    folder (fsync(2), "Notes"); everything else may or may not have made it.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.moments: list[_Moment] = []
        self._contents: dict[int, bytes] = {}
        self._synced: dict[Path, dict[str, int]] = {Path(): {}}
        self._kept_open: list[int] = []  # so that no inode is used again

    @contextmanager
    def watched(self, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
        fsync, replace, unlink, mkdir = os.fsync, Path.replace, Path.unlink, Path.mkdir

        def sync(descriptor: int) -> None:
            fsync(descriptor)
            path = Path(f"/proc/self/fd/{descriptor}").readlink()
            if path.is_dir():
                self._synced[path.relative_to(self.root)] = _names(path)
            else:
                self._contents[os.fstat(descriptor).st_ino] = path.read_bytes()
            self._note()

        def then(call: Callable[..., object]) -> Callable[..., object]:
            def done(*args: object, **kwargs: object) -> object:
                result = call(*args, **kwargs)
                self._note()
                return result

            return done

        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", sync)
            for name, call in (("replace", replace), ("unlink", unlink), ("mkdir", mkdir)):
                patch.setattr(Path, name, then(call))
            yield
        for descriptor in self._kept_open:
            os.close(descriptor)

    def _note(self) -> None:
        folders = [p for p in (self.root, *self.root.rglob("*")) if p.is_dir()]
        for path in self.root.rglob("*"):
            self._kept_open.append(os.open(path, os.O_RDONLY))
        present = {folder.relative_to(self.root): _names(folder) for folder in folders}
        self.moments.append(_Moment(dict(self._contents), dict(self._synced), present))

    def after_cut(self, moment: int, *, names_made_it: bool, at: Path) -> Path:
        """Build the disk as it may stand after a cut right after a moment."""
        then = self.moments[moment]
        names = then.present if names_made_it else then.synced
        shutil.rmtree(at, ignore_errors=True)
        at.mkdir()
        self._build(Path(), names, then, at)
        return at

    def _build(
        self, folder: Path, names: dict[Path, dict[str, int]], then: _Moment, at: Path
    ) -> None:
        for name, inode in names.get(folder, {}).items():
            if folder / name in then.present or folder / name in names:
                (at / folder / name).mkdir()
                self._build(folder / name, names, then, at)
            else:
                (at / folder / name).write_bytes(then.contents.get(inode, b""))


def _names(folder: Path) -> dict[str, int]:
    return {entry.name: entry.inode() for entry in os.scandir(folder)}


def test_a_power_cut_at_any_step_leaves_every_kept_frame_in_the_spool(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "disk"
    root.mkdir()
    disk = FragileDisk(root)
    kept_by: list[int] = []
    with disk.watched(monkeypatch):
        spool = FolderSpool(root / "spool" / "camera")
        for number in range(3):
            spool.keep(pixels(number), ref(number))
            kept_by.append(len(disk.moments))
        spool.drop(spool.waiting()[0].sha256)
        dropped_by = len(disk.moments)
    cuts = 0
    for moment in range(len(disk.moments)):
        for names_made_it in (False, True):
            at = disk.after_cut(moment, names_made_it=names_made_it, at=tmp_path / "after")
            again = FolderSpool(at / "spool" / "camera")
            found = {r.exposure_id: fetch(r) for r in again.waiting()}
            promised = {f"e{n}" for n, by in enumerate(kept_by) if moment >= by - 1}
            if moment >= dropped_by - 1:
                assert "e0" not in found
            assert promised - {"e0"} <= set(found), (moment, names_made_it)
            assert all((found[f"e{n}"] == pixels(n)).all() for n in range(3) if f"e{n}" in found)
            cuts += 1
    assert cuts > 30


def test_a_power_cut_at_any_step_leaves_a_whole_fits_file_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "disk"
    (root / "frames").mkdir(parents=True)
    disk = FragileDisk(root)
    disk._synced = {Path(): _names(root), Path("frames"): {}}
    with disk.watched(monkeypatch):
        facts = write_fits(root / "frames" / "a.fits", pixels(1), [("GAIN", 100, "")])
        filed_by = len(disk.moments)
        digest = write_whole(root / "night.json", '{"ok": true}\n', durable=True)
    whole = (root / "frames" / "a.fits").read_bytes()
    for moment in range(len(disk.moments)):
        for names_made_it in (False, True):
            at = disk.after_cut(moment, names_made_it=names_made_it, at=tmp_path / "after")
            file, summary = at / "frames" / "a.fits", at / "night.json"
            if file.exists():
                assert file.read_bytes() == whole
            assert file.exists() or moment < filed_by - 1
            if summary.exists():
                assert summary.read_text() == '{"ok": true}\n'
    assert (at / "night.json").exists()
    assert take_inventory(at).sha256 == {"frames/a.fits": facts.sha256}
    assert len(digest) == 64


# Damage --------------------------------------------------------------------------------------


def damaged(data: bytes, random: np.random.Generator) -> tuple[bytes, str]:
    """Cut the end off, flip bits, or blank a sector, as disks do."""
    at = int(random.integers(len(data)))
    match int(random.integers(4)):
        case 0:
            return data[:at], f"cut at {at}"
        case 1:
            return data[:at] + bytes([data[at] ^ (1 << int(random.integers(8)))]) + data[
                at + 1 :
            ], (f"bit at {at}")
        case 2:
            end = min(len(data), at + 512)
            return data[:at] + bytes(end - at) + data[end:], f"blank from {at}"
        case _:
            end = min(len(data), at + 512)
            return data[:at] + random.bytes(end - at) + data[end:], f"garbage from {at}"


def story_journal(folder: Path) -> list[str]:
    """Write a journal that its writer never closed: some pages are still in the log beside it."""
    path = folder / "journal.sqlite"
    journal = Journal.open(path, CLOCK)
    journal.begin_night("2027-03-10")
    for number in range(60):
        journal.append(Notice(message=f"thing {number} " + "x" * 60))
        if number == 30:
            journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    seen = [event.fact.message for event in journal.events()]  # type: ignore[attr-defined]
    for name in ("journal.sqlite", "journal.sqlite-wal"):
        (folder / f"{name}.copy").write_bytes((folder / name).read_bytes())
    journal.close()
    return seen


def test_damage_anywhere_in_a_journal_or_its_log_is_reported_and_what_is_before_it_stays(
    tmp_path: Path,
) -> None:
    seen = story_journal(tmp_path)
    source = {name: (tmp_path / f"journal.sqlite{name}.copy").read_bytes() for name in ("", "-wal")}
    assert len(source["-wal"]) > 50_000
    random = np.random.default_rng(SEED)
    shortened = 0
    for case in range(120):
        folder = tmp_path / f"case-{case}"
        folder.mkdir()
        hit = "-wal" if case % 2 else ""
        data, how = damaged(source[hit], random)
        for name, content in {**source, hit: data}.items():
            (folder / f"journal.sqlite{name}").write_bytes(content)
        path = folder / "journal.sqlite"
        try:
            journal = Journal.open(path, CLOCK, durable=False)
        except StopError:
            assert hit == ""  # its very identity is gone: refused, and left as it was
            assert path.read_bytes() == data
            shutil.rmtree(folder)
            continue
        messages = [event.fact.message for event in journal.events()]  # type: ignore[attr-defined]
        journal.verify()
        journal.append(Notice(message="on"))
        journal.close()
        notices = [m for m in messages if "was damaged" in m]
        kept = [m for m in messages if m not in notices]
        assert kept == seen[: len(kept)], how
        if len(kept) < len(seen):
            shortened += 1
            # A log that ends between two of its parts cannot be told from one that ended there.
            page = 24 + 4096
            if not (hit and how.startswith("cut") and (len(data) - 32) % page == 0):
                assert notices, f"{hit} {how}: {len(kept)} events left, and nobody is told"
                assert list(folder.glob("journal.sqlite*.damaged-*")), how
        shutil.rmtree(folder)
    assert shortened > 30


def test_damage_anywhere_in_a_spool_is_set_aside_and_the_other_frames_stay(tmp_path: Path) -> None:
    source = tmp_path / "spool"
    spool = FolderSpool(source)
    for number in range(3):
        spool.keep(pixels(number), ref(number))
    names = sorted(path.name for path in source.iterdir())
    random = np.random.default_rng(SEED)
    aside = 0
    for case in range(60):
        folder = tmp_path / f"case-{case}"
        shutil.copytree(source, folder)
        name = names[int(random.integers(len(names)))]
        data, how = damaged((folder / name).read_bytes(), random)
        (folder / name).write_bytes(data)
        again = FolderSpool(folder)
        found = {r.exposure_id: fetch(r) for r in again.waiting()}
        assert len(found) >= 2, (name, how)
        for frame, data_found in found.items():
            assert (data_found == pixels(int(frame[1:]))).all(), (name, how)
        if len(found) < 3:
            aside += 1
            assert again.quarantined >= 1
            assert (folder / "quarantine" / name).read_bytes() == data
        again.keep(pixels(9), ref(9))
        assert again.waiting()[-1].exposure_id == "e9"
    assert aside > 40


def test_damage_anywhere_in_a_frame_on_disk_is_found(tmp_path: Path) -> None:
    (tmp_path / "frames").mkdir()
    path = tmp_path / "frames" / "a.fits"
    facts = write_fits(path, pixels(1), [("GAIN", 100, "")], durable=False)
    whole = path.read_bytes()
    random = np.random.default_rng(SEED)
    for _ in range(60):
        data, how = damaged(whole, random)
        path.write_bytes(data)
        assert (take_inventory(tmp_path).sha256["frames/a.fits"] == facts.sha256) == (
            data == whole
        ), how


def test_the_journal_forces_each_event_to_the_disk(tmp_path: Path) -> None:
    """By what SQLite says of itself: WAL and FULL mean a sync after each transaction."""
    journal = Journal.open(tmp_path / "journal.sqlite", CLOCK)
    (mode,) = journal._connection.execute("PRAGMA journal_mode").fetchone()
    (level,) = journal._connection.execute("PRAGMA synchronous").fetchone()
    journal.append(Notice(message="one"))
    reader = sqlite3.connect(tmp_path / "journal.sqlite")
    assert reader.execute("SELECT count(*) FROM events").fetchone() == (1,)
    reader.close()
    journal.close()
    assert (mode, level) == ("wal", 2)  # sqlite.org/pragma.html#pragma_synchronous: 2 is FULL
