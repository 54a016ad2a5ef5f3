"""Nights on a fork mount: across the meridian without a flip, and up to where its cables end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from astropy.io import fits

from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from midwatch.sky import Observer
from midwatch.sky.mounts import GEOMETRIES
from support.fault_nights import CONFIGS, FaultNight, rehearsed, utc_s
from support.guided_night import guided_night
from support.interface_bench import SITE, write_night
from support.third_mount import RIG, AltAzimuth

FRAME_S = 120.0
# Crosses the meridian at 20:05 in the zone of the site, twenty minutes after dusk.
ORDERS = f"""\
site: larch-hollow.yaml
rig: siskin.yaml
evening: 2027-03-10
targets:
  - name: a field in Gemini
    ra: 7h10m
    dec: 25d
    min_altitude_deg: 60
    frames: [{{exposure_s: {FRAME_S:g}, count: 400}}]
seed: 1
"""


def check(night: FaultNight) -> None:
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert night.of("flipped") == []
    assert {fact.pier_side for _, fact in night.of("motion_ended")} == {"unknown"}
    assert {truth["camera_turn_deg"] for _, truth in night.witness.mount} == {0.0}


@cache
def undisturbed() -> FaultNight:
    with TemporaryDirectory() as folder:
        night = rehearsed(Path(folder), ordered=ORDERS)
        check(night)
        return night


def transit_s(night: FaultNight) -> float:
    ((_, planned),) = night.of("target_planned")
    assert planned.transit_utc_s is not None
    return float(planned.transit_utc_s)


def test_it_exposes_across_the_meridian_without_a_flip_and_without_a_gap() -> None:
    night = undisturbed()
    assert night.faults == []
    lights = night.lights
    first = utc_s(lights[0].began)
    worked = [fact.duty for at_s, fact in night.of("duty_began") if first < at_s < first + 3600.0]
    assert set(worked) <= {"expose", "dither", "focus"}
    ends = [utc_s(frame.began) + frame.exposure_s for frame in lights]
    gaps = [utc_s(frame.began) - end for frame, end in zip(lights[1:], ends, strict=False)]
    across = [
        gap for gap, end in zip(gaps, ends, strict=False) if abs(end - transit_s(night)) < 400
    ]
    assert len(across) >= 4
    # As between any two frames: reading out, and settling after a dither.
    assert max(across) < 45.0
    assert min(utc_s(f.began) for f in lights) < transit_s(night) - 900.0
    assert max(ends) > transit_s(night) + 1800.0


def test_headers_and_words_know_no_side_of_a_pier(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, ordered=ORDERS.replace("count: 400", "count: 14"))
    check(night)
    headers = [fits.getheader(path) for path in sorted(tmp_path.rglob("*.fits"))]
    assert len(headers) == 14
    assert not any("PIERSIDE" in header for header in headers)
    seen = [f"{fact.reason} {fact.ruled_out}" for _, fact in night.of("decision")]
    assert not [text for text in seen if "flip" in text or "pier" in text or "meridian" in text]


@pytest.mark.parametrize("at", ["20:04:30", "20:05:40"])
def test_it_is_taken_up_again_after_a_crash_at_the_meridian(at: str, tmp_path: Path) -> None:
    night = rehearsed(tmp_path, f"daemon-killed@{at}+40s", ordered=ORDERS)
    check(night)
    assert len(night.of("night_began")) == 2
    # A frame in hand, the pause, and getting ready again; common practice, no source.
    assert undisturbed().integration_s - night.integration_s <= 4 * FRAME_S
    assert night.lights[-1].began > undisturbed().lights[-4].began


def test_it_stops_in_time_where_its_cables_end(tmp_path: Path) -> None:
    rig = (CONFIGS / "rigs" / "siskin.yaml").read_text(encoding="utf-8")
    assert "hour_angle_min: 400" in rig
    (tmp_path / "short.yaml").write_text(
        rig.replace("hour_angle_min: 400", "hour_angle_min: 30"), encoding="utf-8"
    )
    night = rehearsed(tmp_path, ordered=ORDERS.replace("siskin.yaml", "short.yaml"))
    check(night)
    assert night.faults == [] and night.of("limit_held") == []
    # Half an hour of hour angle is 1795 s.
    last = utc_s(night.lights[-1].began) + FRAME_S
    assert transit_s(night) + 1795.0 - 2 * FRAME_S < last < transit_s(night) + 1795.0


def test_one_guide_calibration_serves_on_both_sides_of_the_meridian(tmp_path: Path) -> None:
    night = guided_night(tmp_path, rig_name="siskin")
    assert night.outcome.promises_kept
    (target,) = night.outcome.summary.targets
    assert target.accepted == target.wanted == 6
    assert night.seen.count("calibrated") == 1
    assert "calibration_check" not in night.seen
    assert [fact.ok for fact in night.facts("guiding_started")] == [True]
    assert night.facts("flipped") == []
    began = sorted(
        (utc_s(frame.began), frame) for frame in night.outcome.summary.frames
        if frame.frame == "light"
    )  # fmt: skip
    (planned,) = night.facts("target_planned")
    assert began[0][0] < planned.transit_utc_s < began[-1][0]
    # The camera has not turned against the sky: one solution of the field is like the next.
    paths = sorted(night.outcome.folder.rglob("*.fits"))
    angles = [fits.getheader(path)["CD1_1"] for path in paths]
    assert angles == pytest.approx([angles[0]] * len(angles), rel=0.01)


@dataclass(frozen=True)
class Seen:
    events: list[Event]

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.fact.kind == kind]


def test_a_third_kind_of_mount_goes_through_a_whole_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An alt-azimuth mount that only this test knows keeps away from the zenith by its class."""
    monkeypatch.setitem(GEOMETRIES, AltAzimuth.name, AltAzimuth)
    zenith = (
        "site: site.yaml\nrig: rig.yaml\nevening: 2027-03-10\n"
        "targets: [{name: Overhead, ra: 7h30m, dec: 46d,\n"
        "           frames: [{exposure_s: 120, count: 20}]}]\nseed: 4\n"
    )
    night = load_night(write_night(tmp_path, site=SITE, rig=RIG, orders=zenith))
    seen = Seen([])
    options = RehearsalOptions(
        seed=4, sky_mode="fast", data_folder=tmp_path / "data", evening=None, lean=True
    )
    outcome = rehearse(night, options, seen.events.append)
    assert outcome.promises_kept
    (target,) = outcome.summary.targets
    assert target.accepted == 20
    assert seen.of("flipped") == [] and seen.of("limit_held") == []
    observer, (resolved,) = Observer(night.place), night.targets
    altitudes = []
    for frame in outcome.summary.frames:
        if frame.frame == "light":
            for at_s in (utc_s(frame.began), utc_s(frame.began) + frame.exposure_s):
                position = resolved.position_at(at_s)
                altitudes.append(float(observer.altaz(*position, at_s).alt_deg))
    assert max(altitudes) < 85.0
    (planned,) = seen.of("target_planned")
    transit = planned.fact.transit_utc_s  # type: ignore[attr-defined]
    before = [f for f in outcome.summary.frames if f.frame == "light" and utc_s(f.began) < transit]
    assert 0 < len(before) < 20  # some before the hole about the zenith, the rest after
