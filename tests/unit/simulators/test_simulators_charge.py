"""Charge that no light has made, in the simulated camera."""

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.stars import measure_stars
from midwatch_simulators.sky.sensor_charge import cosmic_rays, telegraph
from support.simulators_bench import Bench, focus, guide, one

QUIET = {"hot_share": 0.0, "cosmic_rays_cm2_min": 0.0}


def dark(exposure_s: float = 300.0, seed: int = 1, **options: object) -> np.ndarray:
    pixels, _ = one(seed=seed, frame="dark", exposure_s=exposure_s, options=options)
    return pixels.astype(float) - 600


def test_tracks_come_at_the_rate_of_nature_and_leave_the_charge_of_muons():
    counts, charge, lengths = [], [], []
    for seed in range(300):
        tracks = cosmic_rays((1000, 1000), 5.0, 1.2, 300.0, np.random.default_rng(seed))
        counts.append(len(tracks.electrons) / 120)
        if len(tracks.electrons) == 120:  # one alone, whole
            charge.append(tracks.electrons.sum())
            lengths.append(np.hypot(np.ptp(tracks.row), np.ptp(tracks.column)))
    # 0.25 cm^2 for 5 min at 1.2 a minute, less what leaves over the edges.
    assert np.mean(counts) == pytest.approx(1.5, rel=0.15)
    # 80 electrons a micrometre through 12 of them, and more at a slant.
    assert 900 < np.median(charge) < 2500
    assert np.quantile(lengths, 0.2) < 4 < np.max(lengths)


def test_cosmic_rays_are_in_darks_and_others_in_each():
    quiet, first, again = (dark(hot_share=0.0, cosmic_rays_cm2_min=rate) for rate in (0, 200, 200))
    other = dark(seed=2, hot_share=0.0, cosmic_rays_cm2_min=200)
    assert quiet.max() < 30 and np.array_equal(first, again)
    struck, elsewhere = first > 100, other > 100
    assert struck.sum() > 20
    assert (struck & elsewhere).sum() < 0.1 * struck.sum()


def test_hot_pixels_have_a_long_tail():
    hot = np.sort(dark(hot_share=0.002, telegraph_share=0.0, cosmic_rays_cm2_min=0.0).ravel())
    # Of 384 pixels, most glow by a few tens of ADU and some by thousands.
    assert 30 < hot[-200] < 300
    assert hot[-3] > 10 * hot[-200]


def test_telegraph_pixels_go_on_and_off_and_the_rest_do_not():
    on = np.stack([telegraph(5, 600, 1000.0 + 30.0 * n, 30.0) for n in range(120)])
    assert on.min() >= 0 and on.max() <= 1
    assert on.mean() == pytest.approx(0.5, abs=0.03)
    quick, slow = np.abs(np.diff(on[:, 0::6], axis=0)), np.abs(np.diff(on[:, 5::6], axis=0))
    assert np.mean(quick > 0.05) > 0.7 and np.mean(slow > 0.05) < 0.03
    assert np.array_equal(telegraph(5, 600, 1030.0, 30.0), on[1])
    assert not np.array_equal(telegraph(6, 600, 1030.0, 30.0), on[1])


@pytest.mark.parametrize("bayer", [None, "RGGB"])
def test_stars_are_measured_as_if_the_sensor_were_perfect(bayer):
    def prepare(bench: Bench) -> None:
        focus(bench, 15_000)
        guide(bench, 0.4, 0.4)

    shown = {"bayer": bayer, "width_px": 500, "height_px": 400}
    measured = []
    for faults in (QUIET, {"cosmic_rays_cm2_min": 20.0, "hot_share": 0.004}):
        pixels, ref = one(prepare=prepare, exposure_s=120.0, options={**shown, **faults})
        frame = Frame(pixels, saturation_adu=ref.saturation_adu, bayer=ref.bayer)
        measured.append(measure_stars(frame))
    perfect, real = measured
    assert real.count == pytest.approx(perfect.count, rel=0.06)
    assert real.hfr_px == pytest.approx(perfect.hfr_px, rel=0.02)
    assert real.elongation == pytest.approx(perfect.elongation, abs=0.02)
