"""Which calibration frames the lights of a night ask for, and when they have them."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import pytest

from midwatch.journal.facts import CalibrationSkipped, Fact, FrameBegun, FrameFiled, FrameRead
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.decision import CalibrationNeed
from midwatch.sequencer.facts import calibration_needs
from midwatch.sequencer.facts.calibration_sets import temperature_groups

WANTED = 3


@dataclass
class Camera:
    """What a camera has filed so far."""

    record: NightRecord = field(default_factory=NightRecord)
    panel: bool = True
    count: int = 0

    def hears(self, fact: Fact) -> None:
        self.count += 1
        self.record.apply(cast("Event", SimpleNamespace(at_utc_s=float(self.count), fact=fact)))

    def files(self, frame: str = "light", number: int = 1, **changes: Any) -> None:
        """Take frames; `changes` are those of the usual setting, and the sensor's temperature."""
        sensor_c = changes.pop("sensor_c", -10.0)
        usual = {
            "target": "M 101" if frame == "light" else None,
            "order_index": 0 if frame == "light" else None,
            "filter": "L" if frame in ("light", "flat") else None,
            "exposure_s": {"light": 300.0, "dark": 300.0, "flat": 1.5, "bias": 0.0}[frame],
            "gain": 100, "offset": 50, "binning": 1,
        }  # fmt: skip
        for _ in range(number):
            name = f"e-{self.count}"
            begun = FrameBegun(exposure_id=name, frame=frame, **{**usual, **changes})
            self.hears(begun)
            self.hears(
                FrameRead(
                    exposure_id=name, sha256="0" * 64, began_utc_s=0.0,
                    exposure_s=begun.exposure_s, sensor_c=sensor_c,
                )
            )  # fmt: skip
            self.hears(FrameFiled(exposure_id=name, path=name, file_sha256="0" * 64, bytes=1))

    def wants(self) -> tuple[CalibrationNeed, ...]:
        night = SimpleNamespace(
            orders=SimpleNamespace(
                calibration=SimpleNamespace(darks=WANTED, flats=WANTED, bias=WANTED)
            ),
            rig=SimpleNamespace(
                devices=SimpleNamespace(flat_panel=object() if self.panel else None),
                grading=GradingSettings(),
            ),
        )
        return calibration_needs(cast("Any", night), self.record)

    def takes_all(self) -> None:
        """Take whatever is wanted, one set after the other, as the night does."""
        for _ in range(50):
            wanted = self.wants()
            if not wanted:
                return
            need = wanted[0]
            given = {} if need.sensor_c is None else {"sensor_c": need.sensor_c}
            length = {"exposure_s": need.exposure_s} if need.frame == "dark" else {}
            self.files(
                need.frame, need.remaining, filter=need.filter, gain=need.gain,
                offset=need.offset, binning=need.binning, **given, **length,
            )  # fmt: skip
        raise AssertionError("it never ends")

    def taken(self) -> dict[tuple[Any, ...], int]:
        """Count frames other than lights by kind, setting, filter and exposure of darks."""
        found: dict[tuple[Any, ...], int] = {}
        for frame in self.record.frames.values():
            b = frame.begun
            if not frame.is_light:
                dark_s = b.exposure_s if b.frame == "dark" else None
                key = (b.frame, b.gain, b.offset, b.binning, b.filter, dark_s)
                found[key] = found.get(key, 0) + 1
        return found


def test_each_binning_and_offset_gets_its_own_frames() -> None:
    camera = Camera()
    settings = [(100, 50, 1), (100, 50, 2), (100, 10, 1), (0, 50, 1)]
    for gain, offset, binning in settings:
        for name in ("L", "R"):
            camera.files(gain=gain, offset=offset, binning=binning, filter=name)
    camera.files(exposure_s=60.0, binning=2)
    camera.takes_all()
    expected = {
        (frame, *setting, name, dark_s): WANTED
        for setting in settings
        for frame, name, dark_s in (
            ("flat", "L", None), ("flat", "R", None), ("dark", None, 300.0), ("bias", None, None),
        )
    }  # fmt: skip
    expected["dark", 100, 50, 2, None, 60.0] = WANTED
    assert camera.taken() == expected


def test_darks_of_another_temperature_count_for_nothing() -> None:
    camera = Camera(panel=False)
    camera.files(number=5, sensor_c=-10.0)
    camera.files(number=5, sensor_c=0.4)
    camera.files("dark", WANTED, sensor_c=0.0)
    camera.files("bias", WANTED)
    (need,) = camera.wants()
    assert (need.frame, need.sensor_c, need.remaining) == ("dark", -10.0, WANTED)


def test_flats_come_first_and_the_coldest_darks_before_the_others() -> None:
    camera = Camera()
    camera.files(binning=2, sensor_c=1.0)
    camera.files(sensor_c=-10.0)
    kinds = [(need.frame, need.sensor_c) for need in camera.wants()]
    assert kinds == [
        ("flat", None), ("flat", None), ("dark", -10.0), ("dark", 1.0), ("bias", None),
        ("bias", None),
    ]  # fmt: skip


@pytest.mark.parametrize(("offset", "asked"), [(50, False), (10, True)])
def test_what_was_skipped_is_not_asked_for_again(offset: int, asked: bool) -> None:
    camera = Camera(panel=False)
    camera.files()
    camera.files("bias", WANTED)
    camera.hears(
        CalibrationSkipped(
            frame="dark", filter=None, exposure_s=300.0, gain=100, offset=offset, binning=1,
            sensor_c=-9.5, missing=WANTED, reason="it is too warm",
        )
    )  # fmt: skip
    assert bool(camera.wants()) == asked


@pytest.mark.parametrize(
    ("sensors_c", "groups"),
    [
        ([], ()),
        ([-10.0, -10.1, -9.9], (-10.0,)),
        # As far from each other as one dark may be from both.
        ([-10.0] * 9 + [-8.6], (-10.0,)),
        ([-10.0] * 9 + [0.2, 0.6, 1.9], (-10.0, 0.6)),
        ([None, -10.0], (-10.0, None)),
    ],
)
def test_lights_are_put_into_few_groups_by_their_temperature(
    sensors_c: list[float | None], groups: tuple[float | None, ...]
) -> None:
    assert temperature_groups(sensors_c, 2.0) == groups


def test_every_light_of_a_group_is_met_by_its_darks() -> None:
    drifting = [2.4 - 0.05 * n for n in range(120)]
    middles = temperature_groups(drifting, 2.0)
    assert len(middles) <= 3
    for sensor_c in drifting:
        assert min(abs(sensor_c - m) for m in middles if m is not None) <= 2.0
