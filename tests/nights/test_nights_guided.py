"""A short night guided by a guide camera of its own: rendered frames, real loop, rough mount."""

from __future__ import annotations

import math

import pytest

from support.guided_night import CLOUD, GuidedNight, guided_night


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> GuidedNight:
    print("seed 11")
    return guided_night(tmp_path_factory.mktemp("guided"), frames=8)


def test_every_frame_that_was_wanted_is_taken_round_and_guided(night: GuidedNight) -> None:
    summary = night.outcome.summary
    assert night.outcome.promises_kept
    (target,) = summary.targets
    assert target.accepted == target.wanted == 8
    graded = [fact for fact in night.facts("frame_graded") if fact.grade == "accepted"]
    # Frames of 60 s; unguided, this worm draws them out by up to 16 arcsec, or four pixels.
    assert all(fact.elongation < 1.1 for fact in graded)
    assert all(fact.guided and 0.2 < fact.guide_rms_arcsec < 1.5 for fact in graded)


def test_it_calibrates_once_and_takes_the_calibration_over_the_flip(night: GuidedNight) -> None:
    (flip,) = night.facts("flipped")
    assert flip.ok and (flip.from_side, flip.to_side) == ("west", "east")
    assert night.seen.count("calibrated") == 1
    assert "calibration_reused" in night.seen[night.seen.index("calibrated") :]
    assert [fact.ok for fact in night.facts("guiding_started")] == [True, True]


def test_it_dithers_by_what_was_ordered(night: GuidedNight) -> None:
    dithers = night.facts("dithered")
    # Three pixels of 8.1 um behind 400 mm are 12.5 arcsec (arithmetic).
    sizes = [math.hypot(fact.east_arcsec, fact.north_arcsec) for fact in dithers]
    assert sizes == pytest.approx([12.53] * len(dithers), abs=0.05) and dithers


def test_it_loses_the_stars_under_cloud_and_finds_them_by_itself(night: GuidedNight) -> None:
    assert night.phases.count("lost") * 2.6 > 30.0
    assert night.seen.index("stars_lost") < night.seen.index("stars_found")
    assert night.phases[-1] == "guiding"
    assert not night.facts("fault_began") and not night.facts("operator")
    ended = [
        event.at_utc_s
        for event in night.events
        if event.fact.kind == "frame_graded" and event.fact.grade == "accepted"
    ]
    assert len([at_s for at_s in ended if at_s > CLOUD[1].timestamp()]) >= 4
