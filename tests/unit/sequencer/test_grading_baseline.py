"""Grading by absolute bounds and beside the night's other frames."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from midwatch.api.grader import GradingSettings, LightFrame, Verdict
from midwatch_plugins.graders.baseline import Baseline
from midwatch_plugins.graders.usual import depth_change_mag, usual_for

BOUNDS = GradingSettings()
GOOD = LightFrame(
    target="M 3", filter="L", exposure_s=300.0, guided=True, exposure_id="good",
    stars=1000, hfr_px=2.0, elongation=1.1, background_adu=1000.0, noise_adu=30.0,
    guide_rms_px=0.4, guide_lost_percent=0.0, offset_arcsec=10.0, airmass=1.2,
    sky_mag=22.0, sun_alt_deg=-40.0, moon_alt_deg=-10.0, full_scale_adu=65535,
    saturated_percent=0.01, trails=0,
)  # fmt: skip
OTHERS = tuple(
    replace(GOOD, exposure_id=f"o{n}", began_utc_s=300.0 * n, stars=980 + 8 * n) for n in range(8)
)


def verdict(
    others: tuple[LightFrame, ...] = OTHERS, bounds: GradingSettings = BOUNDS, **changes: Any
) -> Verdict:
    light = replace(GOOD, began_utc_s=3000.0, **changes)
    return Baseline().grade(light, others, bounds)


def test_a_frame_like_the_others_is_accepted_and_says_so() -> None:
    found = verdict()
    assert found.grade == "accepted"
    assert found.reasons == ("inside all bounds and like 8 others",)
    # The upper quartile of 980, 988 ... 1036 is 1022, by hand.
    assert found.star_share == pytest.approx(1000 / 1022, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"stars": 600}, "cloud"),
        ({"stars": None}, "stars"),
        ({"hfr_px": 2.9}, "focus or seeing"),
        ({"elongation": 1.6}, "as long as wide"),
        ({"sensor_drift_c": 2.5}, "warmed by 2.5 degC during the exposure: no dark matches"),
        ({"sensor_drift_c": -2.5}, "cooled by 2.5 degC during the exposure: no dark matches"),
        ({"background_adu": 3000.0}, "haze or lamps"),
        ({"background_adu": 50_000.0}, "full scale"),
        ({"saturated_percent": 5.0}, "full"),
        ({"guide_rms_px": 2.0}, "guiding error"),
        ({"guide_lost_percent": 20.0}, "no guide star"),
        ({"offset_arcsec": 900.0}, "from the centre"),
    ],
)
def test_each_thing_that_spoils_a_frame_rejects_it_and_is_named(
    changes: dict[str, float | None], word: str
) -> None:
    found = verdict(**changes)
    assert found.grade == "rejected"
    assert word in found.reasons[0] or word in " ".join(found.reasons)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"stars": 740}, "cloud"),
        ({"hfr_px": 2.6}, "focus or seeing"),
        ({"elongation": 1.45}, "as long as wide"),
        ({"trails": 3, "trail_length_px": 400.0}, "satellites"),
        ({"offset_arcsec": None}, "not be solved"),
    ],
)
def test_what_comes_close_to_a_bound_is_kept_with_doubt(
    changes: dict[str, float | None], word: str
) -> None:
    found = verdict(**changes)
    assert found.grade == "doubtful"
    assert word in found.reasons[0]


@pytest.mark.parametrize(
    ("angle_deg", "wind_ms", "word"),
    [
        (95.0, 1.0, "along right ascension: tracking"),
        (170.0, 1.0, "along declination"),
        (45.0, 9.0, "wind of 9 m/s"),
        (None, 9.0, "wind of 9 m/s"),
    ],
)
def test_the_direction_of_long_stars_tells_what_moved(
    angle_deg: float | None, wind_ms: float, word: str
) -> None:
    found = verdict(elongation=1.7, elongation_pa_deg=angle_deg, wind_ms=wind_ms)
    assert word in found.reasons[0]


def test_the_first_frames_are_judged_by_absolute_bounds_alone() -> None:
    assert verdict(OTHERS[:4], stars=300).grade == "accepted"
    assert verdict(OTHERS[:5], stars=300).grade == "rejected"
    assert verdict((), stars=3).grade == "rejected"
    assert "too few others to compare (2)" in verdict(OTHERS[:2]).reasons[0]


def test_a_short_frame_under_cloud_is_known_by_the_long_ones() -> None:
    short = {"exposure_s": 60.0, "noise_adu": 30.0 / 5**0.5, "background_adu": 300.0}
    # 0.874 mag less deep at 0.38 dex by magnitude: 1022 stars of the upper quartile become 476.
    assert verdict(**short, stars=470).grade == "accepted"
    found = verdict(**short, stars=30)
    assert (found.grade, "cloud" in found.reasons[0]) == ("rejected", True)


def test_moonlight_and_altitude_excuse_and_nothing_else_does() -> None:
    # Three magnitudes of moonlight: 15.8 times the light, four times the noise.
    moonlit = {"background_adu": 12_000.0, "noise_adu": 120.0, "stars": 330, "moon_alt_deg": 30.0}
    assert verdict(**moonlit, sky_mag=19.0).grade == "accepted"
    found = verdict(**moonlit, sky_mag=22.0)
    assert found.grade == "rejected"
    assert "moonlit haze" in found.reasons[0]
    assert verdict(stars=650, hfr_px=3.0, airmass=2.4).grade == "accepted"
    assert verdict(stars=650, hfr_px=3.0, airmass=1.2).grade == "rejected"


def test_the_model_of_depth_agrees_with_handbook_figures() -> None:
    """Bouguer at 0.2 mag by air mass; noise by Pogson; seeing by X^0.6 (Fried; from memory)."""
    low = replace(GOOD, airmass=2.0)
    high = replace(GOOD, airmass=1.0)
    assert depth_change_mag(low, high) == pytest.approx(-0.2)
    assert depth_change_mag(replace(GOOD, noise_adu=300.0), GOOD) == pytest.approx(-2.5)
    # A fifth of the time under the same sky: 2.5 log sqrt(5) = 0.874 mag (signal by time, noise of
    # the sky by its root), whether that noise was measured or not.
    short = replace(GOOD, exposure_s=60.0, noise_adu=30.0 / 5**0.5)
    assert depth_change_mag(short, GOOD) == pytest.approx(-0.874, abs=0.001)
    short = replace(GOOD, exposure_s=60.0, noise_adu=None)
    assert depth_change_mag(short, GOOD) == pytest.approx(-0.874, abs=0.001)
    # 2.0 px at air mass 1 is 2.0 * 2^0.6 = 3.03 px at air mass 2.
    usual = usual_for(low, tuple(replace(o, airmass=1.0) for o in OTHERS))
    assert usual.hfr_px == pytest.approx(3.03, abs=0.01)
    assert usual_for(high, tuple(replace(o, airmass=2.0) for o in OTHERS)).hfr_px == 2.0


def test_a_rig_that_never_solves_is_not_doubted_for_it() -> None:
    blind = tuple(replace(other, offset_arcsec=None) for other in OTHERS)
    assert verdict(blind, offset_arcsec=None).grade == "accepted"


def test_few_stars_may_vary_by_chance() -> None:
    few = tuple(replace(other, stars=16) for other in OTHERS)
    assert verdict(few, stars=9).grade != "rejected"
    assert verdict(few, stars=5).grade == "rejected"


def test_the_user_moves_the_bounds() -> None:
    assert verdict(stars=600, bounds=GradingSettings(max_star_loss_percent=60)).grade == "accepted"
    assert verdict(hfr_px=2.2, bounds=GradingSettings(max_hfr_px=2.1)).grade == "rejected"
    assert verdict(trails=2).grade == "accepted"
    assert verdict(trails=2, bounds=GradingSettings(max_trails=0)).grade == "doubtful"
