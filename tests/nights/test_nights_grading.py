"""Nights in which frames are spoilt: they stay on disk, marked, and are asked for again."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml
from astropy.io import fits

from midwatch.journal.facts import FrameBegun, FrameGraded, FrameRegraded
from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from support.grading_scenes import Scene, graded

CONFIGS = Path(__file__).parent.parent.parent / "configs"
SEED = 5
WANTED = 24


@dataclass
class Seen:
    outcome: NightOutcome
    events: list[Event]


@pytest.fixture(scope="module")
def cloudy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Seen]:
    """Twenty-four frames wanted; thin cloud till an hour after dusk, later forty minutes of 70
    percent."""
    folder = tmp_path_factory.mktemp("cloudy")
    for name in ("sites", "rigs"):
        shutil.copytree(CONFIGS / name, folder / name)
    rig_path = folder / "rigs" / "harrier.yaml"
    rig = yaml.safe_load(rig_path.read_text())
    evening = {"from": 6.0, "to": 8.35, "percent": 40}
    band = {"from": 9.7, "to": 10.4, "percent": 70}
    rig["devices"]["weather"]["options"] = {"clouds": [evening, band]}
    # A guide star so bright that no cloud hides it: all exposures are as long as ordered.
    rig["devices"]["guider"]["options"] = {"snr": 1000}
    rig_path.write_text(yaml.safe_dump(rig))
    orders = {
        "site": "../sites/larch-hollow.yaml",
        "rig": "../rigs/harrier.yaml",
        "evening": "2027-03-10",
        "targets": [
            {"name": "M 101", "frames": [{"filter": "L", "exposure_s": 300, "count": WANTED}]}
        ],
        "calibration": {"bias": 5, "darks": 1},
    }
    path = folder / "orders" / "night.yaml"
    path.parent.mkdir()
    path.write_text(yaml.safe_dump(orders))
    data = folder / "night"
    data.mkdir()
    events: list[Event] = []
    print(f"seed {SEED}")
    outcome = rehearse(load_night(path), RehearsalOptions(SEED, "fast", data, None), events.append)
    yield Seen(outcome, events)


def test_rejected_frames_are_taken_again_until_the_wanted_count_is_accepted(cloudy: Seen) -> None:
    (target,) = cloudy.outcome.summary.targets
    begun = [e for e in cloudy.events if isinstance(e.fact, FrameBegun) and e.fact.frame == "light"]
    assert target.rejected >= 5
    assert target.accepted == WANTED
    assert len(begun) == WANTED + target.rejected + target.doubtful + target.lost
    assert cloudy.outcome.promises_kept


def test_the_cloud_is_rejected_and_the_clear_sky_is_not(cloudy: Seen) -> None:
    """Hours after mean solar noon at 13.4 degrees east; the band's edges take five minutes."""
    lights = [f for f in cloudy.outcome.summary.frames if f.frame == "light"]
    for frame in lights:
        hours = int(frame.began[11:13]) + int(frame.began[14:16]) / 60 - (12 - 13.4 / 15)
        hours %= 24
        if hours <= 8.2 or 9.75 <= hours <= 10.25:
            assert frame.grade == "rejected", frame.began
            assert "stars where" in frame.reasons[0]
        elif 8.45 <= hours < 9.55 or hours > 10.45:
            assert frame.grade == "accepted", (frame.began, frame.reasons)


def test_the_cloud_of_dusk_is_known_when_it_has_cleared(cloudy: Seen) -> None:
    """Nothing but cloud was there to compare with: those frames are taken back later."""
    taken_back = [f for f in cloudy.outcome.summary.frames if f.first_grade is not None]
    assert len(taken_back) >= 6
    assert {(f.first_grade, f.grade) for f in taken_back} == {("accepted", "rejected")}
    facts = [e.fact for e in cloudy.events if isinstance(e.fact, FrameRegraded)]
    assert {f.exposure_id for f in facts} == {f.exposure_id for f in taken_back}
    assert all(fact.reasons and fact.compared >= 5 for fact in facts)
    report = (cloudy.outcome.folder / "report.html").read_text()
    assert "accepted when filed, judged again with more frames" in report


def test_every_verdict_has_reasons(cloudy: Seen) -> None:
    verdicts = [e.fact for e in cloudy.events if isinstance(e.fact, FrameGraded)]
    assert verdicts
    assert all(verdict.reasons and all(verdict.reasons) for verdict in verdicts)


def test_rejected_frames_stay_on_disk_marked_and_whole(cloudy: Seen) -> None:
    """Headers by astropy; digests by hashlib."""
    rejected = [f for f in cloudy.outcome.summary.frames if f.grade == "rejected"]
    for frame in rejected:
        assert frame.path is not None
        path = cloudy.outcome.folder / frame.path
        assert hashlib.sha256(path.read_bytes()).hexdigest() == frame.sha256
        header = fits.getheader(path)
        assert header["GRADE"] == (frame.first_grade or "rejected")
        assert header["GRADEWHY"]
        assert "when filed" in header.comments["GRADE"]


def test_the_promise_about_accepted_frames_was_checked(cloudy: Seen) -> None:
    promise = next(p for p in cloudy.outcome.summary.promises if p.number == 5)
    assert promise.ok
    assert promise.detail.startswith(f"{WANTED} accepted frames")


def test_read_noise_and_sky_are_measured_as_the_simulator_has_them(cloudy: Seen) -> None:
    """The simulated sensor has 1.8 e- and a pedestal of 100 + 10 x 50 ADU."""
    (advice,) = cloudy.outcome.summary.exposures
    assert advice.missing == ""
    assert advice.read_noise_e == pytest.approx(1.8, rel=0.03)
    assert advice.pedestal_adu == pytest.approx(600.0, abs=1.0)
    assert advice.frames == WANTED
    assert advice.sky_e_s is not None
    assert advice.shortest_sub_s == pytest.approx(1.8**2 / advice.sky_e_s / (1.05**2 - 1), rel=0.07)


@pytest.mark.parametrize(
    "scene",
    [
        Scene(3, frames=26, clouds=((12.0, 17.0, 70.0, 1.0),)),
        Scene(4, frames=24, winds=((12.0, 18.0, 18.0),)),
        Scene(5, frames=24, slips=((14.0, 20.0, 150.0),)),
    ],
    ids=["cloud", "wind", "focus"],
)
def test_what_truly_spoils_frames_is_found_and_nothing_else(scene: Scene) -> None:
    """Against the simulator's own truth; the bench draws many such nights."""
    seen = graded(scene)
    spoilt = [grade for frame, grade in seen if frame.truth == "spoilt"]
    assert len(spoilt) >= 4
    assert spoilt.count("accepted") <= 1
    assert {grade for frame, grade in seen if frame.truth == "good"} == {"accepted"}
