"""A night of a rig that has little: no guider, no wheel, no roof, no cover, no shutter."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from support.remedy_nights import FaultyNight, faulty_night

EXPOSURE_S = 60.0
SCALE_ARCSEC = 2.65
RIG = """\
name: Bare
optics: {focal_length_mm: 420, aperture_mm: 85}
devices:
  mount: {driver: simulated-mount}
  camera:
    driver: simulated-camera
    options: {width_px: 1800, height_px: 1400, pixel_um: 5.4, shutter: false}
  focuser: {driver: simulated-focuser, options: {best_position: 15000}}
camera: {pixel_um: 5.4, gain: 100, offset: 50, cool_to_c: -10}
focus: {start_position: 15000, step: 80}
guiding: {dither_px: 5}
limits: {min_altitude_deg: 15, past_meridian_min: 20}
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> FaultyNight:
    return faulty_night(
        tmp_path_factory.mktemp("bare"), rig_text=RIG, filters=(None,), exposure_s=EXPOSURE_S,
        min_altitude_deg=66.0, more="calibration: {darks: 2, bias: 2}",
    )  # fmt: skip


def test_unguided_frames_are_dithered_by_the_mount(night: FaultyNight) -> None:
    night.check_end()
    dithers = night.facts("dithered")
    frames = night.frames()
    # Three minutes of exposure apart: every third frame.
    assert len(frames) > 40
    assert len(frames) / 3 - 3 <= len(dithers) <= len(frames) / 3
    assert {dither.by for dither in dithers} == {"mount"}
    for dither in dithers:
        size_px = math.hypot(dither.east_arcsec, dither.north_arcsec) / SCALE_ARCSEC
        assert size_px == pytest.approx(5.0, rel=0.05)
    # Every direction comes, and the field goes nowhere.
    ways = {round(math.atan2(d.north_arcsec, d.east_arcsec) / math.pi * 2.0) % 4 for d in dithers}
    assert ways == {0, 1, 2, 3}
    east = sum(dither.east_arcsec for dither in dithers)
    north = sum(dither.north_arcsec for dither in dithers)
    assert math.hypot(east, north) < 10.0 * SCALE_ARCSEC


def test_the_field_moves_with_each_dither_and_dithers_cost_little(night: FaultyNight) -> None:
    places = [verdict.offset_arcsec for _, _, verdict in night.frames()]
    thirds = [places[n : n + 3] for n in range(0, len(places) - 2, 3)]
    means = [sum(third) / 3.0 for third in thirds]
    moved = [abs(a - b) for a, b in pairwise(means)]
    assert sorted(moved)[len(moved) // 2] > SCALE_ARCSEC
    spent_s = night.outcome.summary.ledger["dithering"]
    assert spent_s < 0.06 * night.outcome.summary.ledger["open_shutter"]


def test_what_is_not_dark_is_no_dark_and_that_is_said(night: FaultyNight) -> None:
    taken = [fact.frame for fact in night.facts("frame_begun")]
    assert taken.count("bias") == 2
    assert "dark" not in taken
    (skipped,) = night.facts("calibration_skipped")
    assert (skipped.frame, skipped.exposure_s, skipped.missing) == ("dark", EXPOSURE_S, 2)
    assert "light falls in" in skipped.reason and "put its cap on" in skipped.reason
    (missing,) = night.outcome.summary.calibration_missing
    assert missing.words.startswith("2 darks of 60 s at -10")
