import shutil
from dataclasses import replace

import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.journal.promises import Promise, check_promises, take_inventory
from midwatch.journal.record import NightRecord, account
from midwatch.sky.mounts import ForkEquatorial
from support.journal_story import (
    CONTEXT,
    TARGETS,
    as_events,
    began,
    index_of,
    story_night,
    with_fact,
)


@pytest.fixture(scope="module")
def inventory():
    return take_inventory(story_night().folder)


def judge(events, inventory, context=CONTEXT) -> dict[int, Promise]:
    record = NightRecord.from_events(events)
    ledger = account(events, record.began.dusk_utc_s, record.began.dawn_utc_s)
    promises = check_promises(events, record, ledger, inventory, context, "abc")
    return {promise.number: promise for promise in promises}


def broken(events, inventory, context=CONTEXT) -> dict[int, str]:
    found = judge(events, inventory, context)
    return {number: p.detail for number, p in found.items() if p.ok is False}


def test_the_reported_night_keeps_what_it_shows(inventory):
    promises = judge(story_night().events, inventory)
    assert {number: promise.ok for number, promise in promises.items()} == {
        1: True, 4: True, 5: True, 6: True, 7: True, 8: True, 9: None, 10: None,
    }  # fmt: skip
    assert "journal digest abc" in promises[9].detail
    assert "seed 1" in promises[9].detail


# 1: limits -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"within_limits": False, "message": "altitude 3 deg"}, "slew: altitude 3 deg"),
        ({"alt_deg": 12.0, "horizon_deg": 15.0}, "altitude 12.00 deg, horizon 15.00 deg"),
        (
            {"pier_side": "west", "hour_angle_deg": 7.5},
            "hour angle +7.50 deg is past the limit of +5.00 deg",
        ),
    ],
)
def test_a_motion_that_ends_outside_the_limits_breaks_the_first(inventory, changes, found):
    events = story_night().events
    events = with_fact(events, index_of(events, e.MotionEnded), **changes)
    assert found in broken(events, inventory)[1]


@pytest.mark.parametrize(
    ("mount", "found"),
    [
        (ForkEquatorial(40.0), "hour angle -50.00 deg is past the limit of 40.00 deg"),
        (ForkEquatorial(60.0), None),
    ],
)
def test_a_fork_is_held_to_its_own_limits(inventory, mount, found):
    events = story_night().events
    moved = {"pier_side": "unknown", "hour_angle_deg": -50.0}
    events = with_fact(events, index_of(events, e.MotionEnded), **moved)
    context = replace(CONTEXT, limits=replace(CONTEXT.limits, geometry=mount))
    detail = judge(events, inventory, context)[1].detail
    if found is None:
        assert "hour angle" not in detail
    else:
        assert found in detail


def test_frames_are_pointed_at_again_on_the_real_sky(inventory):
    events = story_night().events
    flip = index_of(events, e.Flipped)
    events = with_fact(events, flip, ok=False)
    after = index_of(events, e.MotionEnded, 3)
    events = with_fact(events, after, pier_side="west", hour_angle_deg=4.0)
    wrong = broken(events, inventory)
    assert set(wrong) == {1, 5}
    assert "for a telescope west of the pier" in wrong[1]


def test_a_frame_behind_the_trees_breaks_the_first_and_the_fifth(inventory):
    events = story_night().events
    read = index_of(events, e.FrameRead, 30)
    late = events[read].fact.began_utc_s + 3600.0
    wrong = broken(with_fact(events, read, began_utc_s=late), inventory)
    assert "is below the limit" in wrong[1]
    assert "outside the target's windows" in wrong[5]


# 3: safety -----------------------------------------------------------------------------------

UNSAFE = (1000.0, e.Activity(cause="unsafe"))
SAFE = (2000.0, e.Activity(cause="open_shutter"))


def parked(at_utc_s: float, what: str = "park") -> tuple[float, e.MotionEnded]:
    fact = e.MotionEnded(
        what=what, alt_deg=46.0, horizon_deg=10.0, hour_angle_deg=0.0, pier_side="west",
        sun_distance_deg=None, within_limits=True,
    )  # fmt: skip
    return at_utc_s, fact


def exposed(began_utc_s: float) -> tuple[float, e.FrameRead]:
    return began_utc_s + 60.0, e.FrameRead(
        exposure_id="x", sha256="0", began_utc_s=began_utc_s, exposure_s=60.0
    )


@pytest.mark.parametrize(
    ("seen", "kept"),
    [
        ([UNSAFE, parked(1100.0), SAFE], True),
        ([parked(500.0), UNSAFE, SAFE], True),
        ([parked(500.0), parked(600.0, "slew"), UNSAFE, SAFE], False),
        ([UNSAFE, parked(1300.0), SAFE], False),
        ([UNSAFE, (1100.0, e.Activity(cause="open_shutter"))], True),
        ([UNSAFE, parked(1100.0), exposed(1200.0), SAFE], False),
        ([exposed(970.0), UNSAFE, parked(1100.0)], True),
        ([UNSAFE, (1010.0, e.Activity(cause="closing")), (1200.0, UNSAFE[1]), SAFE], False),
    ],
)
def test_unsafe_spells(inventory, seen, kept):
    ordered = sorted(seen, key=lambda one: one[0])
    events = as_events((900.0, began(0.0, 5000.0)), *ordered)
    assert judge(events, inventory)[3].ok is kept


# 4: files ------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path):
    for name in ("frames", "calibration"):
        shutil.copytree(story_night().folder / name, tmp_path / name)
    return tmp_path


def test_a_flipped_bit_is_found(folder):
    path = next((folder / "frames").rglob("*.fits"))
    content = bytearray(path.read_bytes())
    content[3000] ^= 1
    path.write_bytes(content)
    inventory = take_inventory(folder)
    assert len(inventory.unsound) == 1
    assert f"{path.name} differs from its digest" in broken(story_night().events, inventory)[4]


def test_a_file_that_lies_about_its_checksum_is_found(folder):
    """The digest agrees with the ledger, and yet the FITS checksum does not hold."""
    events = story_night().events
    index = index_of(events, e.FrameFiled)
    path = folder / events[index].fact.path
    content = bytearray(path.read_bytes())
    content[3000] ^= 1
    path.write_bytes(content)
    inventory = take_inventory(folder)
    events = with_fact(events, index, file_sha256=inventory.sha256[events[index].fact.path])
    assert "FITS checksum" in broken(events, inventory)[4]


def test_missing_and_surplus_files_are_found(folder):
    path = next((folder / "calibration").rglob("*.fits"))
    path.rename(folder / "frames" / "stranger.fits")
    detail = broken(story_night().events, take_inventory(folder))[4]
    assert f"calibration/{path.name} is missing" in detail
    assert "frames/stranger.fits is in no ledger" in detail


def test_a_file_in_the_making_is_no_surplus(folder):
    (folder / "frames" / "next.fits.partial").write_bytes(b"half")
    assert broken(story_night().events, take_inventory(folder)) == {}


def test_a_frame_that_was_read_and_never_filed_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.FrameFiled, 5)
    name = events[index].fact.exposure_id
    detail = broken((*events[:index], *events[index + 1 :]), inventory)[4]
    assert f"{name} was read out and is not on disk" in detail


def test_a_frame_that_waits_for_room_is_no_broken_promise_unless_there_was_room(folder):
    events = story_night().events
    index = index_of(events, e.FrameFiled, 5)
    filed = events[index].fact
    (folder / filed.path).unlink()
    inventory = take_inventory(folder)
    began = e.FaultBegan(
        fault_id="001-disk-write_failed", device="disk", fault="write_failed", message="full"
    )
    ended = e.FaultEnded(fault_id=began.fault_id, how="there is room")
    graded = index_of(events, e.FrameGraded, 5)
    assert events[graded].fact.exposure_id == filed.exposure_id
    full = (*events[:index], replace(events[index], fact=began), *events[index + 1 :])
    for fact, found in ((None, None), (ended, "was read out and is not on disk")):
        seen = () if fact is None else (replace(events[graded], fact=fact),)
        promise = judge((*full[:graded], *seen, *full[graded + 1 :]), inventory)[4]
        assert promise.ok is (found is None)
        assert (found or "1 wait in the camera's spool for room") in promise.detail


def test_a_frame_that_arrived_spoilt_never_was_one(folder):
    events = story_night().events
    index = index_of(events, e.FrameFiled, 5)
    filed = events[index].fact
    lost = e.FrameLost(exposure_id=filed.exposure_id, reason="checksum differs")
    (folder / filed.path).unlink()
    inventory = take_inventory(folder)
    for spoilt in (False, True):
        fact = lost.model_copy(update={"spoilt": spoilt})
        changed = (*events[:index], replace(events[index], fact=fact), *events[index + 1 :])
        promise = judge(changed, inventory)[4]
        assert promise.ok is spoilt
    assert "1 arrived spoilt" in promise.detail


def test_a_frame_filed_twice_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.FrameFiled, 5)
    detail = broken((*events[: index + 1], *events[index:]), inventory)[4]
    assert "was filed 2 times" in detail
    assert "holds 2 frames" in detail


# 5 to 8 --------------------------------------------------------------------------------------


@pytest.mark.parametrize("measure", ["stars", "hfr_px", "focus_position", "guide_rms_arcsec"])
def test_an_accepted_frame_without_its_measures_is_found(inventory, measure):
    events = story_night().events
    events = with_fact(events, index_of(events, e.FrameGraded), **{measure: None})
    assert f"accepted without {measure}" in broken(events, inventory)[5]


def test_an_unguided_frame_needs_no_guiding(inventory):
    events = story_night().events
    index = index_of(events, e.FrameGraded)
    assert broken(with_fact(events, index, guide_rms_arcsec=None, guided=False), inventory) == {}


def test_an_accepted_frame_in_twilight_is_found(inventory):
    events = story_night().events
    plan = index_of(events, e.TargetPlanned)
    opens, closes = events[plan].fact.windows_utc_s[0]
    events = with_fact(events, plan, windows_utc_s=((opens - 3600.0, closes),))
    read = index_of(events, e.FrameRead)
    early = events[read].fact.began_utc_s - 1800.0
    detail = broken(with_fact(events, read, began_utc_s=early), inventory)[5]
    assert "outside the dark hours" in detail
    assert "windows" not in detail


@pytest.mark.parametrize(("early_s", "found"), [(10.0, False), (14.0, True)])
def test_clocks_may_differ_by_what_the_sky_turns_in_a_twentieth_of_a_degree(
    inventory, early_s, found
):
    """0.05 degrees of hour angle are 0.05 x 240 s = 12 s."""
    events = story_night().events
    read = events[index_of(events, e.FrameRead)].fact
    plan = index_of(events, e.TargetPlanned)
    closes = events[plan].fact.windows_utc_s[0][1]
    windows = ((read.began_utc_s + early_s, closes),)
    wrong = broken(with_fact(events, plan, windows_utc_s=windows), inventory)
    assert ("outside the target's windows" in wrong.get(5, "")) == found


def test_a_ledger_with_less_light_than_the_frames_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.FrameRead, 3)
    longer = with_fact(events, index, exposure_s=events[index].fact.exposure_s + 900.0)
    assert "frames were exposed for" in broken(longer, inventory)[6]


def test_a_ledger_with_a_gap_is_found(inventory):
    events = story_night().events
    record = NightRecord.from_events(events)
    ledger = account(events, record.began.dusk_utc_s, record.began.dawn_utc_s)
    torn = replace(ledger, spans=(*ledger.spans[:4], *ledger.spans[5:]))
    promises = check_promises(events, record, torn, inventory, CONTEXT, "")
    assert "gap or overlap" in next(p.detail for p in promises if p.number == 6)


def test_a_duty_without_a_decision_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.DecisionMade, 9)
    assert "without a decision" in broken((*events[:index], *events[index + 1 :]), inventory)[7]
    assert "has no reason" in broken(with_fact(events, index, reason=" "), inventory)[7]


def test_a_remedy_against_nothing_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.FaultBegan)
    detail = broken((*events[:index], *events[index + 1 :]), inventory)[7]
    assert "remedy reconnect against f-1, which was not open" in detail


def test_an_open_fault_is_reported_and_breaks_nothing(inventory):
    events = story_night().events
    index = index_of(events, e.FaultEnded)
    promises = judge((*events[:index], *events[index + 1 :]), inventory)
    assert promises[7].ok
    assert "faults: 1, still open: 1" in promises[7].detail


def test_a_night_that_does_not_end_at_rest_is_found(inventory):
    events = story_night().events
    assert "not warm" in broken(with_fact(events, len(events) - 1, warm=False), inventory)[8]
    assert "did not end" in broken(events[:-1], inventory)[8]


def test_a_target_that_was_never_planned_is_found(inventory):
    events = story_night().events
    index = index_of(events, e.TargetPlanned)
    detail = broken((*events[:index], *events[index + 1 :]), inventory)[1]
    assert f"target {next(iter(TARGETS))} was never planned" in detail
