"""The real centring duty on a simulated rig whose camera measures on board."""

from __future__ import annotations

from pathlib import Path

import pytest
from astropy.coordinates import SkyCoord

from midwatch.devices.contract.kinds import Cover, Move, SelectFilter, Track
from midwatch.sequencer.duties import DutyContext
from support.centring_bench import TARGET, Rig, centred

CLOUDED = {"weather": {"clouds": [{"from": 1, "to": 20, "percent": 100}]}}
DIM = {"aperture_mm": 0.5}  # so little light that no field can be solved


def away_arcsec(ra_deg: float, dec_deg: float) -> float:
    """Distance from the target, by astropy."""
    target = SkyCoord(TARGET["ra"], TARGET["dec"], unit="deg")
    return float(target.separation(SkyCoord(ra_deg, dec_deg, unit="deg")).arcsec)


def test_the_telescope_itself_points_at_the_target(tmp_path: Path) -> None:
    done = centred(tmp_path, off_deg=0.4)
    assert done.centred.ok
    assert done.centred.offset_before_arcsec == pytest.approx(1440, abs=400)
    assert away_arcsec(done.truth.ra_deg, done.truth.dec_deg) < 45
    assert (done.centred.method, done.centred.attempts, done.syncs) == ("near", 2, 1)
    assert away_arcsec(*done.believed_deg) < 60


def test_a_mount_that_must_not_be_reported_is_sent_next_to_the_target(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(centring={"sync": "never"}), off_deg=0.5)
    assert done.centred.ok and done.syncs == 0
    assert away_arcsec(done.truth.ra_deg, done.truth.dec_deg) < 45
    assert away_arcsec(*done.believed_deg) > 1000


def test_a_mount_some_degrees_off_is_found_in_the_larger_area(tmp_path: Path) -> None:
    done = centred(tmp_path, off_deg=5.0)
    assert (done.centred.ok, done.centred.method) == (True, "wide")
    assert away_arcsec(done.truth.ra_deg, done.truth.dec_deg) < 45


def test_the_wrong_place_is_reported_and_not_corrected(tmp_path: Path) -> None:
    done = centred(tmp_path, off_deg=12.0)
    assert done.failure is not None and done.syncs == 0
    assert (done.failure.device, done.failure.fault) == ("mount", "wrong_place")
    assert "12.1 degrees from Field" in done.failure.message
    assert done.centred.diagnosis == "wrong_place" and done.centred.reason == done.failure.message


def test_the_wrong_focal_length_is_measured_and_reported(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(optics={"focal_length_mm": 560}))
    assert done.centred.ok and done.centred.method == "scale"
    assert done.centred.diagnosis == "wrong_scale"
    assert len(done.notices) == 1
    assert "measured focal length 420 mm, configured 560 mm" in done.notices[0]


@pytest.mark.parametrize(
    ("rig", "device", "fault", "words"),
    [
        (Rig(camera=DIM, devices=CLOUDED), "sky", "clouds", "the weather sensor sees 100 % clouds"),
        (Rig(camera=DIM), "sky", "clouds", "dew or a cap"),
    ],
    ids=["clouds", "dark"],
)
def test_few_stars_are_blamed_on_what_hides_them(
    tmp_path: Path, rig: Rig, device: str, fault: str, words: str
) -> None:
    done = centred(tmp_path, rig)
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == (device, fault)
    assert words in done.failure.message
    # Longer and longer, up to a minute.
    assert done.centred.exposures_s == (6.0, 12.0, 24.0, 48.0, 48.0, 48.0)


# Eleven degrees above the horizon of the site, in the north-east.
LOW = {"ra": 220.0, "dec": 35.0}
HIGH = {**TARGET, "name": "High"}


def test_a_low_target_without_stars_is_left_soon_for_another_one(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(target=LOW, others=[HIGH], camera=DIM))
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("sky", "hidden")
    assert "degrees above the site's horizon: trees or a building" in done.failure.message
    assert "other targets come first" in done.failure.message
    assert done.centred.exposures_s == (6.0, 12.0)
    assert done.seconds < 60.0


def test_a_low_target_that_is_the_only_one_is_tried_for_as_long_as_ever(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(target=LOW, camera=DIM))
    assert done.failure is not None and done.failure.fault == "hidden"
    assert "tried again every few minutes" in done.failure.message
    assert len(done.centred.exposures_s) == 6


def test_clouds_that_the_sensor_sees_are_clouds_near_the_horizon_too(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(target=LOW, others=[HIGH], camera=DIM, devices=CLOUDED))
    assert done.failure is not None and done.failure.fault == "clouds"


def test_a_low_target_is_looked_at_through_the_broadest_filter_before_it_is_left(
    tmp_path: Path,
) -> None:
    async def narrow(context: DutyContext) -> None:
        assert context.rig.filter_wheel is not None
        await context.rig.filter_wheel.do(SelectFilter(name="Ha"), 60.0)

    done = centred(tmp_path, Rig(target=LOW, others=[HIGH], camera=DIM), prepare=narrow)
    assert done.centred.filter == "L"


def test_trees_hide_a_low_field_from_the_simulated_camera_and_no_high_one(tmp_path: Path) -> None:
    trees = {"trees_above_horizon_deg": 30.0}
    for name, target, ok in (("low", LOW, False), ("high", {}, True)):
        (tmp_path / name).mkdir()
        done = centred(tmp_path / name, Rig(target=target, others=[HIGH], camera=trees))
        assert done.centred.ok == ok
        assert ok or done.centred.diagnosis == "hidden"
    (tmp_path / "none").mkdir()
    assert centred(tmp_path / "none", Rig(target=LOW, others=[HIGH])).centred.ok


def test_bright_sky_is_distinguished_from_clouds(tmp_path: Path) -> None:
    # The brightest sky that the simulated camera knows, on large pixels and a small well.
    bright = {"sky_mag": 14.0, "full_well_e": 3000.0, "pixel_um": 20.0, "focal_length_mm": 1556}
    done = centred(tmp_path, Rig(camera=bright, rig={"camera": {"pixel_um": 20.0}},
                                 optics={"focal_length_mm": 1556}))  # fmt: skip
    assert done.failure is not None and done.failure.fault == "bright_sky"
    assert "too bright" in done.failure.message


def test_a_closed_roof_and_a_closed_cover_are_seen(tmp_path: Path) -> None:
    async def cover(context: DutyContext) -> None:
        assert context.rig.flat_panel is not None
        await context.rig.flat_panel.do(Cover(closed=True), 60.0)

    covered = centred(tmp_path, prepare=cover)
    assert covered.failure is not None
    assert (covered.failure.device, covered.failure.fault) == ("flat_panel", "covers")
    (tmp_path / "roof").mkdir()
    shut = centred(tmp_path / "roof", roof_open=False)
    assert shut.failure is not None
    assert (shut.failure.device, shut.failure.fault) == ("roof", "not_open")


def test_stars_far_out_of_focus_are_seen(tmp_path: Path) -> None:
    async def defocus(context: DutyContext) -> None:
        await context.rig.focuser.do(Move(position=19_000), 600.0)

    done = centred(tmp_path, prepare=defocus)
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("sky", "out_of_focus")
    # 4 mm behind focus at f/4.94 is a disc of 4000/4.94/2 = 405 um radius, 75 px; half its light
    # falls within 75/sqrt(2) = 53 px. The simulator stops at discs of 60 px: 42 px.
    assert "half-flux radius 4" in done.failure.message


def test_trails_are_distinguished_from_clouds(tmp_path: Path) -> None:
    # Two arcminutes to and fro in half a minute, and a telescope that shows few stars anyway.
    shaken = {"mount": {"worm_arcsec": 120, "worm_period_s": 30}}
    dim = {"aperture_mm": 12, "width_px": 480, "height_px": 400}
    rig = Rig(camera=dim, devices=shaken, centring={"attempts": 2, "exposure_s": 10})
    done = centred(tmp_path, rig)
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("mount", "trailed")
    # 15.04 arcsec a second for 20 s (the second frame) at 2.65 arcsec a pixel.
    assert "times as long as wide" in done.failure.message
    assert "113 px long in 20 s" in done.failure.message


def test_a_mount_that_does_not_track_is_not_blamed_on_the_sky(tmp_path: Path) -> None:
    async def still(context: DutyContext) -> None:
        await context.rig.mount.do(Track(on=False), 30.0)

    done = centred(tmp_path, prepare=still)
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("mount", "not_tracking")


def test_a_mount_that_is_lost_is_shown_with_what_blind_solving_lacks(tmp_path: Path) -> None:
    (tmp_path / "stars").mkdir()
    lost = centred(tmp_path, Rig(centring={"index_folder": "stars"}), off_deg=25.0)
    assert lost.failure is not None
    assert (lost.failure.device, lost.failure.fault) == ("sky", "not_centred")
    assert "within 15 degrees" in lost.failure.message
    assert f"no index files in {tmp_path}/stars" in lost.failure.message


def test_few_stars_through_a_narrow_filter_bring_the_broadest_in(tmp_path: Path) -> None:
    async def narrow(context: DutyContext) -> None:
        assert context.rig.filter_wheel is not None
        await context.rig.filter_wheel.do(SelectFilter(name="Ha"), 60.0)

    done = centred(tmp_path, Rig(camera={"aperture_mm": 6}), narrow)
    assert done.centred.ok and done.centred.filter == "L"
    assert done.centred.exposures_s[:3] == (6.0, 12.0, 24.0)


# Rotation ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("reverse", [False, True], ids=["eastwards", "westwards"])
def test_a_rotator_turns_the_frame_whichever_way_it_counts(tmp_path: Path, reverse: bool) -> None:
    rig = Rig(target={"rotation_deg": 75}, devices={"rotator": {"reversed": reverse}})
    done = centred(tmp_path, rig)
    assert done.centred.ok and done.centred.rotation_deg is not None
    # A frame upside down shows the same field.
    assert abs((done.centred.rotation_deg - 75 + 90) % 180 - 90) < 1.0
    assert done.rotator_deg != 90.0


@pytest.mark.parametrize(
    ("half_turn", "turned"), [("equal", False), ("different", True)], ids=["equal", "different"]
)
def test_a_half_turn_is_equal_unless_ordered_otherwise(
    tmp_path: Path, half_turn: str, turned: bool
) -> None:
    rig = Rig(target={"rotation_deg": 192, "half_turn": half_turn}, devices={"rotator": {}})
    done = centred(tmp_path, rig)
    assert done.centred.ok and done.centred.rotation_deg is not None
    assert (done.rotator_deg != 90.0) is turned
    assert done.centred.rotation_deg == pytest.approx(192.0 if turned else 12.0, abs=1.0)


def test_without_a_rotator_the_turn_is_reported_to_a_person(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(target={"rotation_deg": 75}))
    assert done.centred.ok
    assert done.centred.rotation_error_deg == pytest.approx(63.0, abs=0.1)
    assert len(done.notices) == 1
    assert "turn the camera by 63.0 degrees from north through east" in done.notices[0]


def test_a_rotator_that_slips_is_reported(tmp_path: Path) -> None:
    rig = Rig(target={"rotation_deg": 75}, devices={"rotator": {"play_deg": 5.0}},
              centring={"rotation_within_deg": 0.01, "attempts": 12})  # fmt: skip
    done = centred(tmp_path, rig)
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("rotator", "not_turned")
