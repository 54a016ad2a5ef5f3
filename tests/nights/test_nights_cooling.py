"""Nights whose camera does not stay cold: what is told and tried, and what frames are worth."""

from __future__ import annotations

from pathlib import Path

from astropy.io import fits

from support.remedy_nights import FaultyNight, faulty_night

SEED = 1  # of the orders
ORDERED_C = -10.0  # of the shipped rig
# Darks that are this far from the lights in temperature differ by a tenth in dark current, which
# doubles every six degrees or so: common practice, no source.
NEAR_C = 1.0
DARKS = "calibration: {darks: 2, flats: 0, bias: 0}"


def sensor_c(night: FaultyNight, kind: str) -> list[tuple[float, float]]:
    """Return (sensor, set point) of the filed frames of a kind, by their headers."""
    found = []
    for path in sorted(night.outcome.folder.rglob("*.fits")):
        header = fits.getheader(path)
        if header["IMAGETYP"].lower().startswith(kind):
            found.append((header["CCD-TEMP"], header["SET-TEMP"]))
    return found


def test_a_weak_cooler_is_asked_for_less_and_darks_are_as_warm_as_the_lights(
    tmp_path: Path,
) -> None:
    night = faulty_night(tmp_path, "cooler-weak@18:20+6h", more=DARKS)
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    assert night.remedies() == ["retry prepare", "less_cooling", "retry prepare"]
    assert all(verdict.grade == "accepted" for _, _, verdict in night.frames())
    lights, darks = sensor_c(night, "light"), sensor_c(night, "dark")
    assert len(lights) > 20 and len(darks) == 2
    assert {wanted for _, wanted in lights + darks} == {ORDERED_C + 5.0}
    assert all(abs(found - wanted) < NEAR_C for found, wanted in lights + darks)


def test_a_cooler_that_weakens_in_the_night_is_asked_for_less(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-weak@20:10+6h")
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    assert night.remedies() == ["retry prepare", "less_cooling", "retry prepare"]
    last = [verdict for _, _, verdict in night.frames()][-10:]
    assert all(verdict.grade == "accepted" for verdict in last)
    assert all(abs(verdict.sensor_c - (ORDERED_C + 5.0)) < NEAR_C for verdict in last)
    told = [notice.message for notice in night.facts("notice")]
    assert any("at -10 degC and want darks of that temperature" in message for message in told)


def test_after_a_failure_of_the_cooler_the_set_point_is_the_ordered_one(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-fails@20:10+30m")
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    tried = [(fact.remedy, fact.outcome) for fact in night.facts("remedy_tried")]
    assert tried[0][0] == "retry prepare"
    assert ("less_cooling", "done") not in tried
    for _, _, verdict in night.frames():
        near = abs(verdict.sensor_c - ORDERED_C) <= 2.0
        assert near or verdict.grade == "rejected"
        assert near or any("set point" in reason for reason in verdict.reasons)
    last = [verdict for _, _, verdict in night.frames()][-10:]
    assert all(verdict.grade == "accepted" for verdict in last)


def test_with_a_dead_cooler_frames_are_kept_and_none_is_accepted(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-fails@17:20")
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended) == ("camera", "not_cold", None)
    assert {remedy.partition(" ")[0] for remedy in night.remedies()} == {"retry"}
    grades = [verdict.grade for _, _, verdict in night.frames()]
    assert len(grades) > 20
    assert set(grades) == {"rejected"}
    assert len(sensor_c(night, "light")) == len(grades)
