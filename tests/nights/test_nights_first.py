"""The demo night, judged by libraries and files that nobody here made."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from midwatch.journal.facts import (
    DecisionMade,
    DutyBegan,
    Flipped,
    FocusRun,
    FrameBegun,
    FrameGraded,
    FrameLost,
    MotionEnded,
    NightEnded,
)
from midwatch.journal.store import read_events
from midwatch.journal.store.journal import digest_of
from midwatch.sky import Place
from support.interface_bench import write_night
from support.pace import LIMIT_S
from support.sky_truth import skyfield_sky

ROOT = Path(__file__).parent.parent.parent
ORDERS = ROOT / "configs" / "orders" / "first-night.yaml"
SEED = 1


def rehearsed(out: Path, *words: str, hash_seed: str = "0", orders: Path = ORDERS,
              path: Path | None = None) -> subprocess.CompletedProcess[str]:  # fmt: skip
    """Rehearse in a process of its own; the seed stands in the output of a failing test."""
    print(f"seed {words or SEED}")
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    command = [sys.executable, "-m", "midwatch.interface.cli", "rehearse", str(orders),
               "--sky", "fast", "--json", "--out", str(out), *words]  # fmt: skip
    return subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=LIMIT_S, env=environment
    )


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    out = tmp_path_factory.mktemp("first")
    done = rehearsed(out)
    assert done.returncode == 0, done.stderr[-2000:]
    return out, json.loads(done.stdout)


class Sky:
    """skyfield with JPL DE421, at the demo's site."""

    def __init__(self) -> None:
        self._sky = skyfield_sky()
        self._place = Place(46.2, 13.4, 1200.0)

    def altaz(self, target: dict[str, Any], at_s: float) -> tuple[float, float]:
        star = self._sky.star(target["ra_deg"], target["dec_deg"])
        alt, az = self._sky.altaz(self._place, star, at_s)
        return float(alt), float(az)

    def hour_angle_h(self, target: dict[str, Any], at_s: float) -> float:
        star = self._sky.star(target["ra_deg"], target["dec_deg"])
        here = self._sky.standing(self._place).at(self._sky.time(at_s))
        return float(here.observe(star).apparent().hadec()[0].hours)

    def sun_alt(self, at_s: float) -> float:
        return float(self._sky.altaz(self._place, self._sky.sun, at_s)[0])


@pytest.fixture(scope="module")
def sky() -> Sky:
    return Sky()


def horizon_alt(az_deg: float) -> float:
    """The site's horizon file, read here and interpolated by hand."""
    rows = [line.split("#")[0].split() for line in
            (ROOT / "configs/sites/larch-hollow.horizon.txt").read_text().splitlines()]  # fmt: skip
    points = sorted((float(row[0]), float(row[1])) for row in rows if len(row) >= 2)
    points = [(points[-1][0] - 360, points[-1][1]), *points, (points[0][0] + 360, points[0][1])]
    for (a0, h0), (a1, h1) in pairwise(points):
        if a0 <= az_deg <= a1:
            return h0 + (h1 - h0) * (az_deg - a0) / (a1 - a0 or 1)
    raise AssertionError(az_deg)


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def lights(summary: dict[str, Any], name: str | None = None) -> list[dict[str, Any]]:
    found = [f for f in summary["frames"] if f["frame"] == "light"]
    return [f for f in found if name is None or f["target"] == name]


def test_every_light_is_dark_high_and_clear_of_the_trees(
    night: tuple[Path, dict[str, Any]], sky: Sky
) -> None:
    """Judged by skyfield 1.55 with JPL DE421: Sun below -18 degrees, target over the horizon."""
    _, summary = night
    targets = {t["name"]: t for t in summary["targets"]}
    assert len(lights(summary)) > 80
    for frame in lights(summary):
        begins = utc_s(frame["began"])
        for moment in (begins, begins + frame["exposure_s"]):
            assert sky.sun_alt(moment) < -17.99
            alt, az = sky.altaz(targets[frame["target"]], moment)
            assert alt > horizon_alt(az) + 0.95, frame["path"]


def test_the_first_target_gives_way_when_it_sets_behind_the_trees(
    night: tuple[Path, dict[str, Any]], sky: Sky
) -> None:
    _, summary = night
    first, second = lights(summary, "IC 405"), lights(summary, "M 101")
    ends = max(utc_s(f["began"]) + f["exposure_s"] for f in first)
    begins = min(utc_s(f["began"]) for f in second)
    assert ends < begins < ends + 300
    targets = {t["name"]: t for t in summary["targets"]}
    # Had another exposure been begun, the trees would have come before its end.
    alt, az = sky.altaz(targets["IC 405"], begins + 330)
    assert alt < horizon_alt(az) + 1.0


def test_there_is_one_flip_inside_its_window(night: tuple[Path, dict[str, Any]], sky: Any) -> None:
    """Hour angle by skyfield: flip from 3 min; the unflipped side is left before 20 min."""
    out, summary = night
    assert len(summary["flips"]) == 1
    targets = {t["name"]: t for t in summary["targets"]}
    events = read_events(out / "journal.sqlite")
    (at,) = [e.at_utc_s for e in events if isinstance(e.fact, DutyBegan) and e.fact.duty == "flip"]
    (ended,) = [e.fact for e in events
                if isinstance(e.fact, MotionEnded) and e.fact.what.startswith("flip")]  # fmt: skip
    assert ended.pier_side == "east" and ended.within_limits
    assert 3 / 60 <= sky.hour_angle_h(targets["M 101"], at) <= 20 / 60
    for frame in lights(summary, "M 101"):
        begins = utc_s(frame["began"])
        if begins < at:
            ends = begins + frame["exposure_s"]
            assert sky.hour_angle_h(targets["M 101"], ends) < 20 / 60


def test_everything_else_that_a_night_holds(night: tuple[Path, dict[str, Any]]) -> None:
    out, summary = night
    dusk, dawn = utc_s(summary["dusk"]), utc_s(summary["dawn"])
    assert all(isinstance(seconds, int) for seconds in summary["ledger"].values())
    assert sum(summary["ledger"].values()) == dawn - dusk
    runs = [e.fact for e in read_events(out / "journal.sqlite") if isinstance(e.fact, FocusRun)]
    assert {"first", "defocus"} <= {run.trigger for run in runs if run.ok}
    kept = {(p["number"], p["ok"]) for p in summary["promises"]}
    assert {(1, True), (4, True), (5, True), (6, True), (7, True), (8, True)} <= kept
    kinds = {f["frame"] for f in summary["frames"]}
    assert kinds == {"light", "dark", "flat", "bias"}
    folder = out / summary["night"]
    files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*.fits"))
    assert files == sorted(f["path"] for f in summary["frames"])
    checked = subprocess.run(
        ["sha256sum", "--strict", "--quiet", "-c", "checksums.sha256"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stdout


def test_summary_journal_and_files_tell_one_story(night: tuple[Path, dict[str, Any]]) -> None:
    """Counted three times: in night.json, in the journal, and in the headers as astropy reads."""
    out, summary = night
    story = [event.fact for event in read_events(out / "journal.sqlite")]
    folder = out / summary["night"]
    headers = {f["path"]: fits.getheader(folder / f["path"]) for f in summary["frames"]}

    for target in summary["targets"]:
        taken = lights(summary, target["name"])
        good = [f for f in taken if f["grade"] == "accepted"]
        ids = {f.exposure_id for f in story if isinstance(f, FrameBegun)
               and f.target == target["name"]}  # fmt: skip
        graded = [f for f in story if isinstance(f, FrameGraded) and f.exposure_id in ids]
        assert target["accepted"] == len(good) == sum(f.grade == "accepted" for f in graded)
        assert len(taken) == len(graded) == len(ids)
        exposed_s = sum(headers[f["path"]]["EXPTIME"] for f in good)
        assert target["integration_s"] == pytest.approx(exposed_s)
        assert {headers[f["path"]]["OBJECT"] for f in taken} == {target["name"]}
        for index, order in enumerate(target["orders"]):
            served = [headers[f["path"]] for f in good if f["order_index"] == index]
            assert order["accepted"] == len(served) <= order["wanted"]
            assert {h["FILTER"] for h in served} <= {order["filter"]}
            assert {h["EXPTIME"] for h in served} <= {order["exposure_s"]}

    # Five of each are ordered: flats for each filter, darks for each exposure time, one bias set.
    used = [headers[f["path"]] for f in lights(summary)]
    kinds = Counter(h["IMAGETYP"] for h in headers.values())
    assert kinds == {
        "LIGHT": len(used),
        "FLAT": 5 * len({h["FILTER"] for h in used}),
        "DARK": 5 * len({h["EXPTIME"] for h in used}),
        "BIAS": 5,
    }
    seen = Counter(type(fact) for fact in story)
    assert summary["decisions"] == seen[DecisionMade]
    assert len(summary["focus_runs"]) == seen[FocusRun]
    assert len(summary["flips"]) == seen[Flipped] == 1
    assert seen[FrameLost] == 0


def test_one_shutter_is_open_at_a_time_and_the_rig_ends_shut(
    night: tuple[Path, dict[str, Any]],
) -> None:
    out, summary = night
    spells = sorted((utc_s(f["began"]), f["exposure_s"]) for f in summary["frames"])
    assert all(began + length <= after for (began, length), (after, _) in pairwise(spells))
    # Whole seconds by cause: each frame may be rounded by one at either end.
    open_s = sum(f["exposure_s"] for f in lights(summary))
    assert abs(summary["ledger"]["open_shutter"] - open_s) <= 2 * len(lights(summary))
    assert summary["ledger"]["open_shutter"] == summary["yield"]["open_shutter_s"]

    events = read_events(out / "journal.sqlite")
    (ended,) = [e for e in events if isinstance(e.fact, NightEnded)]
    assert (ended.fact.parked, ended.fact.warm, ended.fact.closed) == (True, True, True)
    assert events[-1] == ended
    motions = [e for e in events if isinstance(e.fact, MotionEnded)]
    assert motions[-1].fact.what == "park"
    last_light = max(f["began"] for f in lights(summary))
    assert motions[-1].at_utc_s > utc_s(last_light)


# The same seed, the same night -------------------------------------------------------------------


def test_a_seed_gives_one_night_whatever_the_hashes(
    night: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    out, summary = night
    name = summary["night"]
    again = rehearsed(tmp_path, hash_seed="4711")
    assert again.returncode == 0
    for one, two in zip(read_events(out / "journal.sqlite"), read_events(
        tmp_path / "journal.sqlite"), strict=False):  # fmt: skip
        assert one == two, "the first event that differs"
    assert digest_of(out / "journal.sqlite", name) == digest_of(tmp_path / "journal.sqlite", name)
    for file in ("night.json", "report.html", "checksums.sha256"):
        assert (out / name / file).read_bytes() == (tmp_path / name / file).read_bytes()


def test_another_seed_gives_another_night(tmp_path: Path) -> None:
    orders = write_night(tmp_path)
    runs = []
    for seed in ("1", "2"):
        out = tmp_path / seed
        done = rehearsed(out, "--seed", seed, orders=orders)
        assert done.returncode == 0, done.stderr[-2000:]
        runs.append((json.loads(done.stdout)["focus_runs"], digest_of(out / "journal.sqlite")))
    (focus, digest), (other_focus, other_digest) = runs
    assert focus
    assert focus != other_focus
    assert digest != other_digest


# Somebody else's plugin --------------------------------------------------------------------------


def test_a_plugin_from_a_folder_of_its_own_takes_part(tmp_path: Path) -> None:
    """The example package is installed by pip from its folder; its duty answers its lookout."""
    plugin = tmp_path / "site-packages"
    installed = subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation",
         "--target", str(plugin), str(Path(__file__).parent / "lens_heater")],
        capture_output=True, text=True, check=False, timeout=LIMIT_S,
    )  # fmt: skip
    assert installed.returncode == 0, installed.stderr
    for name in ("sites", "rigs"):
        (tmp_path / name).symlink_to(ROOT / "configs" / name)
    rig = (ROOT / "configs/rigs/harrier.yaml").read_text()
    rig = rig.replace("driver: simulated-switch", "driver: simulated-switch\n    options: "
                      "{outlets: {mount: true, camera: true, heater: false}}")  # fmt: skip
    (tmp_path / "rig.yaml").write_text(rig)
    orders = tmp_path / "orders.yaml"
    orders.write_text(
        "site: sites/larch-hollow.yaml\nrig: rig.yaml\nevening: 2027-03-10\n"
        "targets:\n  - name: IC 405\n    frames: [{filter: L, exposure_s: 300, count: 4}]\n"
        "standing_orders:\n  - {when: damp, trip: 20, do: heat_lens}\n"
    )
    done = rehearsed(tmp_path / "night", orders=orders, path=plugin)
    assert done.returncode == 0, done.stderr[-2000:]
    events = read_events(tmp_path / "night" / "journal.sqlite")
    notices = [e.fact.message for e in events if e.fact.kind == "notice"]
    # The air stays damp; an order is done once each time that its lookout trips.
    assert notices == ["the lens heater is on"]
    assert json.loads(done.stdout)["targets"][0]["accepted"] == 4

    without = rehearsed(tmp_path / "other", orders=orders)
    assert without.returncode == 2
    assert "damp" in without.stderr
    assert "orders.yaml:8" in without.stderr
