"""When to dither, and by what: by the guider, or by the mount where nothing guides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from midwatch.orders.models import FrameOrder, Rig
from midwatch.sequencer.decision import (
    DitherArgs,
    FaultView,
    FrameNeed,
    NightHours,
    Pointing,
    Readiness,
    Safety,
    TargetView,
    Unguided,
    World,
    decide,
)
from midwatch.sky.mounts.german import GermanEquatorial

T0 = 1.8e9
NOW = T0 + 10_000
GUIDING = Rig.model_fields["guiding"].default
READY = Readiness(
    connected=True, prepared=True, roof_open=True, roof_closed=False, has_roof=True, focused=True,
    has_guider=True, guiding=True,
)  # fmt: skip
UNGUIDED = Unguided(longest_s=60.0, again_at_s=NOW + 600.0)


def world(*, due: bool = True, at_s: float = NOW, **changes: object) -> World:
    window = (T0, T0 + 39_000)
    need = FrameNeed(0, "L", 60.0, 9, due)
    base = World(
        now_s=at_s,
        hours=NightHours(T0, T0 + 100, T0 + 200, T0 + 40_000),
        mount=GermanEquatorial(5.0, 2.5, 0.75),
        safety=Safety(True, "fine"),
        pointing=Pointing(False, True, "west", "A", True),
        ready=READY,
        targets=(TargetView("A", 1, (window,), (window,), NOW + 20_000, (need,)),),
        durations_s={"expose": 5.0},
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def fault(device: str, blocks: tuple[str, ...]) -> FaultView:
    return FaultView("1", device, "gone", blocks=blocks, again_at_s=NOW + 600.0, held=True)


def test_a_guided_field_is_dithered_by_the_guider() -> None:
    assert decide(world()).args == DitherArgs(by="guider")
    assert decide(world(due=False)).duty == "expose"


def test_a_rig_without_guider_is_dithered_by_its_mount() -> None:
    alone = replace(READY, has_guider=False, guiding=False)
    assert decide(world(ready=alone)).args == DitherArgs(by="mount")
    assert decide(world(ready=alone, due=False)).duty == "expose"


@pytest.mark.parametrize("device", ["guider", "guide_camera"])
def test_while_guiding_cannot_be_had_the_mount_dithers(device: str) -> None:
    lost = world(
        ready=replace(READY, guiding=False),
        faults=(fault(device, ("guide", "dither")),),
        unguided=UNGUIDED,
    )
    assert decide(lost).args == DitherArgs(by="mount")


def test_a_mount_that_takes_no_pulses_is_let_alone_for_a_while() -> None:
    alone = replace(READY, has_guider=False, guiding=False)
    refused = world(ready=alone, faults=(fault("mount", ("dither",)),))
    assert decide(refused).duty == "expose"


def test_guiding_is_started_before_anything_is_dithered() -> None:
    assert decide(world(ready=replace(READY, guiding=False))).duty == "guide"


@pytest.mark.parametrize(
    ("exposure_s", "lights", "due"),
    [
        # The shipped rule: two frames at least, and three minutes of exposure.
        (300.0, 1, False),
        (300.0, 2, True),
        (10.0, 17, False),
        (10.0, 18, True),
        (60.0, 2, False),
        (60.0, 3, True),
    ],
)
def test_short_frames_are_dithered_by_time_and_long_ones_by_number(
    exposure_s: float, lights: int, due: bool
) -> None:
    order = FrameOrder(exposure_s=exposure_s, count=20)
    cadence = GUIDING.cadence(order)
    assert cadence.due(lights, lights * exposure_s) == due
    assert (cadence.frames(exposure_s) <= lights) == due


def test_a_frame_order_may_say_otherwise() -> None:
    often = FrameOrder(exposure_s=10.0, count=20, dither_every=3, dither_apart_s=0.0)
    never = FrameOrder(exposure_s=300.0, count=20, dither_every=0)
    assert GUIDING.cadence(often).due(3, 30.0) and not GUIDING.cadence(often).due(2, 20.0)
    assert not GUIDING.cadence(never).due(50, 15_000.0)
    assert GUIDING.cadence(never).frames(300.0) == 0
