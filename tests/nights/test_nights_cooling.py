"""Nights whose camera does not stay cold: what is reported and tried, and what frames are worth."""

from __future__ import annotations

from pathlib import Path

from astropy.io import fits

from support.remedy_nights import FaultyNight, faulty_night

SEED = 1  # of the orders
ORDERED_C = -10.0  # of the shipped rig
# Darks that are this far from the lights in temperature differ by a tenth in dark current, which
# doubles every six degrees or so: common practice, no source.
NEAR_C = 1.0
# The shipped bound for darks.
WITHIN_C = 2.0
DARKS = "calibration: {darks: 2, flats: 0, bias: 0}"


def sensor_c(night: FaultyNight, kind: str) -> list[tuple[float, float]]:
    """Return (sensor, set point) of the filed frames of a kind, by their headers."""
    found = []
    for path in sorted(night.outcome.folder.rglob("*.fits")):
        header = fits.getheader(path)
        if header["IMAGETYP"].lower().startswith(kind):
            found.append((header["CCD-TEMP"], header.get("SET-TEMP")))
    return found


def without_darks(night: FaultyNight) -> list[float]:
    """Return the temperatures of accepted lights that have not two darks as warm as they."""
    darks = [found for found, _ in sensor_c(night, "dark")]
    lights = [v.sensor_c for _, _, v in night.frames() if v.grade == "accepted"]
    return [c for c in lights if sum(abs(c - dark) <= WITHIN_C for dark in darks) < 2]


def test_a_weak_cooler_is_asked_for_what_it_holds_and_darks_are_as_warm_as_the_lights(
    tmp_path: Path,
) -> None:
    night = faulty_night(tmp_path, "cooler-weak@18:20+6h", more=DARKS)
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    assert night.remedies() == ["retry prepare", "less_cooling"]
    assert all(verdict.grade == "accepted" for _, _, verdict in night.frames())
    (chosen,) = night.facts("set_point_chosen")
    # Three tenths of a depth of 35 below the air, and of the self-heating that is pumped as well.
    assert abs(chosen.holds_c - (chosen.air_c + 2.5 - 0.3 * 37.5)) < NEAR_C
    assert chosen.power_percent == 100.0
    assert chosen.holds_c < chosen.setpoint_c <= chosen.holds_c + 2.0
    lights, darks = sensor_c(night, "light"), sensor_c(night, "dark")
    assert len(lights) > 20 and len(darks) == 2
    assert all(abs(found - chosen.setpoint_c) < NEAR_C for found, _ in lights + darks)


def test_a_cooler_that_weakens_in_the_night_is_asked_for_what_it_holds(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-weak@20:10+90m", more=DARKS)
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    assert night.remedies() == ["retry prepare", "less_cooling"]
    (chosen,) = night.facts("set_point_chosen")
    last = [verdict for _, _, verdict in night.frames()][-10:]
    assert all(verdict.grade == "accepted" for verdict in last)
    assert all(abs(verdict.sensor_c - chosen.setpoint_c) < NEAR_C for verdict in last)
    # When the darks are taken, the cooler is itself again, and gets as cold as the first lights.
    assert not night.facts("calibration_skipped")
    assert without_darks(night) == []
    # Cooling again took its time, and so did lights that were warm and cold.
    assert fault.lost_s > 300


def test_after_a_failure_of_the_cooler_the_set_point_is_the_ordered_one(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-fails@20:10+30m", more=DARKS)
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("camera", "not_cold", True)
    tried = [(fact.remedy, fact.outcome) for fact in night.facts("remedy_tried")]
    assert tried[0][0] == "retry prepare"
    assert not night.facts("set_point_chosen")
    rejected = [verdict for _, _, verdict in night.frames() if verdict.grade == "rejected"]
    assert all(abs(verdict.sensor_drift_c) > WITHIN_C for verdict in rejected)
    assert all("no dark matches" in verdict.reasons[0] for verdict in rejected)
    # Lights that were warm all the while have their darks: a cooler can be told to be warm.
    assert any(v.grade == "accepted" and v.sensor_c > -2.0 for _, _, v in night.frames())
    assert without_darks(night) == []
    assert all(abs(v.sensor_c - ORDERED_C) < NEAR_C for _, _, v in night.frames()[-10:])
    spoilt_s = sum(f.exposure_s for _, f, v in night.frames() if v.grade == "rejected")
    assert fault.lost_s >= spoilt_s > 0.0


def test_with_a_dead_cooler_lights_are_accepted_and_get_darks_as_warm(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "cooler-fails@20:30", more=DARKS)
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended) == ("camera", "not_cold", None)
    assert {remedy.partition(" ")[0] for remedy in night.remedies()} == {"retry"}
    assert "the cooler does nothing" in night.facts("remedy_tried")[0].reason
    grades = [verdict.grade for _, _, verdict in night.frames()]
    assert len(grades) > 20 and grades.count("rejected") <= 3
    warm = [v.sensor_c for _, _, v in night.frames() if v.grade == "accepted" and v.sensor_c > 0.0]
    assert len(warm) > 15
    # What was taken before is kept; nobody can take its darks now, and that is said.
    (skipped,) = night.facts("calibration_skipped")
    assert abs(skipped.sensor_c - ORDERED_C) < NEAR_C and skipped.missing == 2
    assert "the lights were taken at -10.0 degC" in skipped.reason
    assert all(abs(c - skipped.sensor_c) <= WITHIN_C for c in without_darks(night))
