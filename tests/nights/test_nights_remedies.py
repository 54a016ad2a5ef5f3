"""What faults cost of a night, and what was done about them, in numbers beside the same night."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import pytest

from midwatch.api.duty import CentreArgs, DutyContext
from midwatch.clock import Clock, SteadyClock
from support.remedy_nights import FaultyNight, faulty_night

SEED = 1  # of the orders


def utc_s(hour: int, minute: int) -> float:
    """An instant of the evening in the zone of the demo site, one hour ahead of UTC."""
    return datetime(2027, 3, 10, hour - 1, minute, tzinfo=UTC).timestamp()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> FaultyNight:
    print(f"seed {SEED}")
    night = faulty_night(tmp_path_factory.mktemp("undisturbed"))
    assert night.integration_s > 30 * 180
    assert night.faults == []
    return night


def cost_s(night: FaultyNight, undisturbed: FaultyNight) -> float:
    night.check_end()
    return undisturbed.integration_s - night.integration_s


def test_a_guide_camera_that_drops_out_costs_minutes(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "guide-camera-unplugged@20:40+10m")
    gone_s, back_s = utc_s(20, 40), utc_s(20, 50)
    assert cost_s(night, undisturbed) <= 240.0
    (fault,) = night.faults
    assert fault.kind == "unplugged"
    assert fault.ended is not None
    assert night.remedies()[-1] == "reconnect"
    frames = night.frames()
    in_hand = [f for f in frames if f[0] < gone_s < f[0] + f[1].exposure_s]
    assert [f[2].grade for f in in_hand] == ["accepted"], "it was finished, and its stars are round"
    unguided = [f for f in frames if gone_s < f[0] < back_s]
    assert len(unguided) >= 3
    assert not any(f[2].guided for f in unguided)
    assert all(f[2].elongation < 1.5 for f in unguided)
    # Ten minutes of bringing the camera back, and a calibration anew.
    later = [f for f in frames if f[0] > back_s + 300.0]
    assert later
    assert all(f[2].guided and f[1].exposure_s == 180.0 for f in later)


def test_without_a_guide_camera_the_night_goes_on(tmp_path: Path, undisturbed: FaultyNight) -> None:
    night = faulty_night(tmp_path, "guide-camera-unplugged@19:20")
    assert cost_s(night, undisturbed) <= 0.2 * undisturbed.integration_s
    (fault,) = night.faults
    assert fault.ended is None
    assert {"reconnect", "restart_driver"} <= set(night.remedies())
    assert not any(verdict.guided for _, _, verdict in night.frames())


def test_a_guide_camera_that_is_missing_from_the_start_does_not_keep_the_night_from_beginning(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "guide-camera-unplugged@17:00")
    assert cost_s(night, undisturbed) <= 0.2 * undisturbed.integration_s
    assert any("the night begins without it" in notice.message for notice in night.facts("notice"))


def test_orders_may_end_the_night_without_guiding(tmp_path: Path) -> None:
    night = faulty_night(
        tmp_path, "guide-camera-unplugged@20:20", more="unguided: {do: close, after_min: 15}"
    )
    night.check_end()
    (ended,) = night.facts("night_ended")
    assert ended.how is not None
    last_s = max(began_s for began_s, _, _ in night.frames())
    assert utc_s(20, 20) < last_s < utc_s(20, 36)


def test_a_camera_driver_that_dies_costs_the_frame_in_hand(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "camera-driver-crash@20:40")
    assert cost_s(night, undisturbed) <= 360.0
    (fault,) = night.faults
    assert (fault.kind, fault.ended is not None) == ("silent", True)
    assert night.remedies() == ["restart_driver", "reconnect"]


def test_a_mount_driver_that_dies_costs_a_look_at_the_stars(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "mount-driver-crash@20:40")
    assert cost_s(night, undisturbed) <= 360.0
    assert [fault.kind for fault in night.faults] == ["silent"]
    centred = [e.at_utc_s for e in night.events if e.fact.kind == "centred" and e.fact.ok]
    assert any(utc_s(20, 40) < at_s < utc_s(20, 46) for at_s in centred), "proved by solving"


def test_a_mount_driver_that_dies_under_the_closed_roof_leads_to_no_circles(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "mount-driver-crash@19:05")
    assert cost_s(night, undisturbed) <= 0.0
    assert [(fault.device, fault.kind) for fault in night.faults] == [("mount", "silent")]
    assert night.remedies() == ["restart_driver", "reconnect"]


def test_a_camera_without_cable_costs_little_more_than_that_time(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    night = faulty_night(tmp_path, "camera-unplugged@20:40+10m")
    # Its power was taken meanwhile: the sensor has to be cooled anew.
    assert cost_s(night, undisturbed) <= 600.0 + 540.0
    (fault,) = night.faults
    assert (fault.kind, fault.ended is not None) == ("unplugged", True)
    # The demo rig's switch feeds the camera.
    assert night.remedies()[:6] == [*3 * ["reconnect"], *2 * ["restart_driver"], "power_cycle"]


def test_a_mount_without_power_is_aligned_again(tmp_path: Path, undisturbed: FaultyNight) -> None:
    night = faulty_night(tmp_path, "mount-power-lost@20:40+5m")
    assert cost_s(night, undisturbed) <= 300.0 + 480.0
    assert all(fault.ended is not None for fault in night.faults)
    done = [(e.at_utc_s, e.fact.duty) for e in night.events if e.fact.kind == "duty_ended"]
    after = [duty for at_s, duty in done if at_s > utc_s(20, 45)]
    assert after.index("centre") < after.index("expose")


def test_frames_are_taken_through_the_filter_in_which_a_wheel_jams(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "filter-wheel-jams@20:20", filters=("L", "R"))
    sound = faulty_night(tmp_path / "..", filters=("L", "R"))
    assert cost_s(night, sound) <= 360.0
    assert {fault.device for fault in night.faults} == {"filter_wheel"}
    assert {"retry expose", "reconnect", "restart_driver"} <= set(night.remedies())
    later = {begun.filter for at_s, begun, _ in night.frames() if at_s > utc_s(20, 26)}
    assert len(later) == 1


def test_a_stuck_focuser_does_not_stop_the_night(tmp_path: Path, undisturbed: FaultyNight) -> None:
    """Frames out of focus are taken all the same, and given up once better ones are there."""
    night = faulty_night(tmp_path, "focuser-stuck@19:20+1h")
    assert cost_s(night, undisturbed) <= 3600.0
    assert min(began_s for began_s, _, _ in night.frames()) < utc_s(20, 0)
    assert any((fault.device, fault.kind) == ("focuser", "stuck") for fault in night.faults)


def test_no_slew_is_made_by_a_mount_whose_clock_is_wrong(tmp_path: Path) -> None:
    night = faulty_night(tmp_path, "mount-clock-wrong@19:20+45m")
    night.check_end()
    (fault,) = [fault for fault in night.faults if fault.kind == "wrong_hour_angle"]
    assert fault.ended is not None
    assert "set the mount's date, time, zone and site" in fault.message
    began_s, ended_s = (
        next(
            e.at_utc_s
            for e in night.events
            if e.fact.kind == kind and fault_of(e) == fault.fault_id
        )
        for kind in ("fault_began", "fault_ended")
    )
    moved = [
        e for e in night.events
        if e.fact.kind == "duty_began" and e.fact.duty in ("slew", "flip", "centre")
        and began_s < e.at_utc_s < ended_s
    ]  # fmt: skip
    assert moved == []
    assert night.integration_s > 0.0


def fault_of(event: object) -> object:
    return getattr(event.fact, "fault_id", None)  # type: ignore[attr-defined]


def test_a_night_that_goes_in_circles_slows_down_and_ends_well(tmp_path: Path) -> None:
    async def nothing(self: object, context: DutyContext, args: CentreArgs) -> None:
        """Claim to have centred, and do nothing: the world asks for it again at once."""

    with patch("midwatch_plugins.duties.centring.Centre.perform", nothing):
        night = faulty_night(tmp_path)
    (ended,) = night.facts("night_ended")
    assert (ended.parked, ended.warm, ended.closed) == (True, True, True)
    circles = [
        fault for fault in night.faults if (fault.device, fault.kind) == ("daemon", "circle")
    ]
    assert circles
    # Two hours in bursts of forty, each after a longer pause up to ten minutes.
    began = [fact for fact in night.facts("duty_began") if fact.duty == "centre"]
    assert len(began) < 40 * 30


@pytest.mark.parametrize("role", ["camera", "guider"])
def test_a_driver_that_keeps_dying_has_one_fault_in_which_each_restart_is_reported(
    tmp_path: Path, role: str
) -> None:
    night = faulty_night(tmp_path, f"{role}-driver-crash-loop@20:40+5m")
    night.check_end()
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == (role, "silent", True)
    died = [n for n in night.facts("notice") if f"the driver of the {role} ended" in n.message]
    restarts = [tried for tried in fault.remedies if tried.remedy == "restart_driver"]
    assert len(died) >= 6
    # While another remedy is at work, what the driver does is its doing.
    assert len(fault.remedies) >= len(died)
    done = [tried for tried in restarts if tried.outcome == "done"]
    (ended,) = night.facts("fault_ended")
    assert f"its driver was started {len(done)} times" in ended.how


def test_a_camera_that_hangs_until_its_power_is_cut_is_cured_by_the_switch(
    tmp_path: Path, undisturbed: FaultyNight
) -> None:
    """Nothing milder helps, and the fault would last for an hour."""
    night = faulty_night(tmp_path, "exposure-never-ends@20:20+1h")
    assert cost_s(night, undisturbed) <= 2400.0
    cut = [
        e for e in night.events
        if e.fact.kind == "remedy_tried" and e.fact.remedy == "power_cycle"
    ]  # fmt: skip
    assert [event.fact.outcome for event in cut] == ["done"]
    tried = night.remedies()
    assert {"reconnect", "restart_driver"} <= set(tried[: tried.index("power_cycle")])
    before = [at_s for at_s, begun, _ in night.frames() if utc_s(20, 20) < at_s < cut[0].at_utc_s]
    after = [f for f in night.frames() if cut[0].at_utc_s < f[0] < utc_s(21, 10)]
    assert before == []
    assert len(after) >= 3
    assert all(verdict.grade == "accepted" for _, _, verdict in after)
    # It was cooled anew first.
    cooled = [e.at_utc_s for e in night.events
              if e.fact.kind == "duty_ended" and e.fact.duty == "prepare"]  # fmt: skip
    assert any(cut[0].at_utc_s < at_s < after[0][0] for at_s in cooled)


class SleepyClock(SteadyClock):
    """Of a machine whose count stands still while it sleeps, as not every system counts sleep."""

    slept = (utc_s(20, 20), utc_s(20, 27))

    def __init__(self, base: Clock) -> None:
        def counted() -> float:
            now_s, (from_s, until_s) = base.unix_s(), self.slept
            return base.mono() - min(max(0.0, now_s - from_s), until_s - from_s)

        super().__init__(base, counted)


def test_a_clock_that_is_right_where_the_count_is_wrong_is_believed(tmp_path: Path) -> None:
    """The mount has a clock of its own: what it shows decides between the two."""
    adopted: list[float] = []

    class Watched(SleepyClock):
        def adopt(self) -> None:
            adopted.append(self.jump_s)
            super().adopt()

    with patch("midwatch.runtime.rehearsal.rehearsal.SteadyClock", Watched):
        night = faulty_night(tmp_path, "suspend@20:20+7m", min_altitude_deg=50.0)
    night.check_end()
    assert adopted == [pytest.approx(420.0, abs=1.0)]
    jumps = [fault for fault in night.faults if fault.kind == "clock_jumped"]
    wrong = [fault for fault in night.faults if fault.kind == "wrong_hour_angle"]
    assert all(fault.ended is not None for fault in (*jumps, *wrong))
    woken = utc_s(20, 27)
    again = [begun for at_s, begun, verdict in night.frames() if at_s > woken + 1800.0]
    assert len(again) >= 5
    (seen,) = night.facts("clock_adopted")
    assert seen.jump_s == pytest.approx(adopted[0], abs=0.01)
