"""What a camera tells of a frame it did not render, against what measuring the frame gives."""

import math

import pytest

from midwatch.imaging import Frame
from midwatch.imaging.stars import measure_stars
from support.simulators_bench import Bench, focus, guide, one, point


def both_ways(prepare, exposure_s: float, **options: object):
    """Return what measuring the rendered frame gives, and the facts told in its stead."""
    pixels, ref = one(prepare=prepare, exposure_s=exposure_s, options=options)
    seen = one(prepare=prepare, exposure_s=exposure_s, options={**options, "sky_mode": "fast"})
    frame = Frame(pixels, saturation_adu=ref.saturation_adu, bayer=ref.bayer)
    return measure_stars(frame), seen[1].facts


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize(
    ("tube", "exposure_s", "rms_arcsec"), [(15_000, 60, 0.4), (15_000, 60, 1.6), (15_150, 10, 0.4)]
)
def test_fast_facts_equal_what_measuring_the_pixels_gives(tube, exposure_s, rms_arcsec, bayer):
    def prepare(bench: Bench) -> None:
        focus(bench, tube)
        guide(bench, rms_arcsec, rms_arcsec)

    # A mosaic of as many cells as the other has pixels: the brightest few hundred stars are judged
    # on either.
    side = 1 if bayer is None else 2
    size = {"width_px": 700 * side, "height_px": 600 * side}
    measured, facts = both_ways(prepare, exposure_s, bayer=bayer, **size)
    assert facts.stars == pytest.approx(measured.count, rel=0.25)
    assert facts.hfr_px == pytest.approx(measured.hfr_px, rel=0.06)
    assert facts.fwhm_px == pytest.approx(measured.fwhm_px, rel=0.1)
    assert facts.background_adu == pytest.approx(measured.background_adu, rel=0.01)
    assert facts.noise_adu == pytest.approx(measured.noise_adu, rel=0.06)
    assert facts.saturated_stars == pytest.approx(measured.saturated_count, abs=2)


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize("aside_deg", [0.0, 0.15, 0.3, 0.6])
def test_stars_trail_along_the_drift_in_pixels_and_in_facts_alike(bayer, aside_deg):
    def prepare(bench: Bench) -> None:
        focus(bench, 15_000)
        point(bench, guided=False, axis_error_y_deg=aside_deg)

    measured, facts = both_ways(prepare, 120.0, bayer=bayer, width_px=700, height_px=600)
    assert facts.elongation == pytest.approx(measured.elongation, rel=0.06)
    if aside_deg < 0.2:
        return
    # Hour angle -30 deg, declination 55: the drift goes sin 30 sin 55 to the east for each
    # cos 30 to the north. +y is at the position angle 12 deg, and east is to the left of it.
    east, north = math.sin(math.radians(30)) * math.sin(math.radians(55)), math.cos(math.pi / 6)
    turn = math.radians(12)
    x = -east * math.cos(turn) + north * math.sin(turn)
    y = east * math.sin(turn) + north * math.cos(turn)
    off_deg = measured.elongation_deg - math.degrees(math.atan2(y, x))
    assert (off_deg + 90) % 180 - 90 == pytest.approx(0, abs=3)
