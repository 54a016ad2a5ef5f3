"""Each fault of the simulated cameras: what it does, when, and what is needed afterwards."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.client import FrameCorruptError, fetch
from midwatch.devices.contract import Connect, Stop
from midwatch.devices.contract.kinds import (
    Acknowledge,
    Cool,
    Expose,
    FrameRef,
    ListWaiting,
    Slew,
    Unpark,
)
from midwatch.sequencer.camera.frame_taker import check_sides
from midwatch.sequencer.decision import ReconnectArgs
from midwatch_plugins.duties.remedying import Reconnect
from midwatch_simulators.instruments.simulated_camera import SimulatedCamera
from midwatch_simulators.instruments.simulated_guide_camera import SimulatedGuideCamera
from support.fault_bench import EVENING, FROM_S, UNTIL_S, FaultRig, with_faults

SMALL = {"width_px": 96, "height_px": 64, "warm_rate_c_per_min": 5.0}
SKIES = ("pixels", "fast")
STORIES: dict[str, Any] = {}


def tells(name: str) -> Any:
    def note(story: Any) -> Any:
        STORIES[name] = story
        return story

    return note


async def shot(rig: FaultRig, exposure_s: float = 10.0, role: str = "camera") -> FrameRef:
    frame = "light" if role == "camera" else "guide"
    command = Expose(exposure_id="one", frame=frame, exposure_s=exposure_s)
    return await rig.do(role, command)  # type: ignore[no-any-return]


async def failed(rig: FaultRig, command: Any, role: str = "camera") -> CommandError:
    with pytest.raises(CommandError) as error:
        await rig.do(role, command)
    return error.value


def now_s(rig: FaultRig) -> float:
    return rig.clock.unix_s() - EVENING.timestamp()


async def sound(rig: FaultRig, role: str = "camera") -> np.ndarray:
    """Take a frame that is whole, and forget it."""
    ref = await shot(rig, role=role)
    pixels = fetch(ref)
    await rig.do(role, Acknowledge(sha256=ref.sha256))
    assert rig.state(role).waiting == ()
    return pixels


@tells("camera-unplugged")
async def unplugged(rig: FaultRig) -> None:
    await rig.do("camera", Cool(setpoint_c=-5.0, rate_c_per_min=20.0))
    await rig.at(FROM_S - 20.0)
    error = await failed(rig, Expose(exposure_id="long", frame="light", exposure_s=400.0))
    assert now_s(rig) == pytest.approx(FROM_S, abs=1.0)
    assert error.kind is ErrorKind.DEVICE_FAULT and "lost during expose" in str(error)
    await rig.clock.sleep(1.0)
    state = rig.state("camera")
    assert not state.connected and "is gone" in state.fault and state.phase == "idle"
    assert "not found" in str(await failed(rig, Connect()))
    await rig.at(UNTIL_S + 1.0)
    assert not rig.state("camera").connected
    await rig.do("camera", Connect())
    assert rig.state("camera").fault is None
    # Its cooler has a supply of its own.
    assert rig.state("camera").sensor_c == pytest.approx(-5.0, abs=0.5)
    await sound(rig)


@tells("exposure-never-ends")
async def never_ends(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    task = asyncio.create_task(shot(rig))
    await rig.at(UNTIL_S - 10.0)
    assert not task.done() and rig.state("camera").phase == "exposing"
    assert (await failed(rig, Connect())).kind is ErrorKind.BUSY
    await rig.do("camera", Stop())
    with pytest.raises(CommandError) as stopped:
        await task
    assert stopped.value.kind is ErrorKind.CANCELLED and rig.state("camera").phase == "idle"
    await rig.at(UNTIL_S)
    await sound(rig)


def test_a_camera_whose_exposure_does_not_end_is_stopped_before_its_link_is_closed() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.at(FROM_S + 1.0)
        task = asyncio.create_task(shot(rig))
        await rig.clock.sleep(60.0)
        assert rig.state("camera").phase == "exposing"
        context = SimpleNamespace(rig=SimpleNamespace(devices={"camera": rig.client("camera")}))
        await Reconnect().perform(context, ReconnectArgs(device="camera"))  # type: ignore[arg-type]
        with pytest.raises(CommandError):
            await task
        assert rig.state("camera").connected and rig.state("camera").phase == "idle"

    options = {**SMALL, "sky_mode": "fast"}
    with_faults(story, {"camera": options}, ("camera", ("exposure-never-ends", FROM_S, UNTIL_S)))


async def spoilt(rig: FaultRig) -> FrameCorruptError:
    """Whoever fetches notices; the frame is listed as it was told, and can be given up."""
    whole = await sound(rig)
    await rig.at(FROM_S + 1.0)
    ref = await shot(rig)
    assert (ref.height_px, ref.width_px) == whole.shape
    with pytest.raises(FrameCorruptError) as error:
        fetch(ref)
    assert (await rig.do("camera", ListWaiting())).frames == (ref,)
    assert rig.state("camera").waiting == (ref.sha256,)
    await rig.restart("camera", 5.0)
    assert (await rig.do("camera", ListWaiting())).frames == (ref,)
    await rig.do("camera", Acknowledge(sha256=ref.sha256))
    assert (await rig.do("camera", ListWaiting())).frames == ()
    await rig.at(UNTIL_S)
    await rig.do("camera", Connect())
    await sound(rig)
    return error.value


@tells("frame-truncated")
async def truncated(rig: FaultRig) -> None:
    assert "bytes" in str(await spoilt(rig))


@tells("frame-corrupt")
async def corrupt(rig: FaultRig) -> None:
    await spoilt(rig)


@tells("frame-wrong-size")
async def wrong_size(rig: FaultRig) -> None:
    whole = await sound(rig)
    await rig.at(FROM_S + 1.0)
    ref = await shot(rig)
    assert fetch(ref).shape == (3 * whole.shape[0] // 4, 3 * whole.shape[1] // 4)
    with pytest.raises(FrameCorruptError, match="the camera announces"):
        check_sides(rig.about("camera"), ref)
    await rig.do("camera", Acknowledge(sha256=ref.sha256))
    await rig.at(UNTIL_S)
    assert (await sound(rig)).shape == whole.shape
    for binning in (1, 2, 3):
        command = Expose(exposure_id="binned", frame="light", exposure_s=1.0, binning=binning)
        check_sides(rig.about("camera"), await rig.do("camera", command))


@tells("shutter-stuck")
async def shutter_stuck(rig: FaultRig) -> None:
    lit = np.median(await sound(rig))
    await rig.at(FROM_S + 1.0)
    dark = np.median(await sound(rig))
    bias = Expose(exposure_id="two", frame="dark", exposure_s=10.0)
    ref = await rig.do("camera", bias)
    assert dark == pytest.approx(np.median(fetch(ref)), abs=2.0)
    assert lit > dark + 5.0
    await rig.do("camera", Acknowledge(sha256=ref.sha256))
    await rig.at(UNTIL_S)
    assert np.median(await sound(rig)) == pytest.approx(lit, abs=3.0)


@tells("cooler-fails")
async def cooler_fails(rig: FaultRig) -> None:
    air_c = rig.state("camera").sensor_c
    await rig.do("camera", Cool(setpoint_c=-10.0, rate_c_per_min=20.0))
    await rig.at(FROM_S - 15.0)
    assert (await read_c(rig)) == pytest.approx(-10.0, abs=0.3)
    await rig.at(UNTIL_S - 15.0)
    assert (await read_c(rig)) == pytest.approx(air_c, abs=1.0)
    state = rig.state("camera")
    assert state.cooler_on and state.setpoint_c == -10.0 and state.cooler_percent == 100.0
    await rig.at(UNTIL_S + 400.0)
    assert (await read_c(rig)) == pytest.approx(-10.0, abs=0.3)


@tells("cooler-weak")
async def cooler_weak(rig: FaultRig) -> None:
    air_c = rig.state("camera").sensor_c
    await rig.do("camera", Cool(setpoint_c=-20.0, rate_c_per_min=20.0))
    await rig.at(FROM_S - 15.0)
    assert (await read_c(rig)) == pytest.approx(-20.0, abs=0.5)
    await rig.at(UNTIL_S - 15.0)
    assert (await read_c(rig)) > air_c - 12.0
    assert rig.state("camera").cooler_percent == 100.0
    await rig.at(UNTIL_S + 400.0)
    assert (await read_c(rig)) == pytest.approx(-20.0, abs=0.3)


async def read_c(rig: FaultRig) -> float:
    """Return what the thermometer says in a state that a frame has brought."""
    await sound(rig)
    return float(rig.state("camera").sensor_c)


@pytest.mark.parametrize("sky_mode", SKIES)
@pytest.mark.parametrize("name", STORIES)
def test_a_camera_shows(name: str, sky_mode: str, tmp_path: Path) -> None:
    options = {**SMALL, "sky_mode": sky_mode}
    # Spools in memory and on disk judge a frame each in their own way.
    folder = tmp_path if sky_mode == "pixels" else None
    story = STORIES[name]
    with_faults(story, {"camera": options}, ("camera", (name, FROM_S, UNTIL_S)), folder=folder)


def test_each_fault_is_reported_of_here() -> None:
    assert set(STORIES) == set(SimulatedCamera.shows)
    assert set(GUIDE_STORIES) == set(SimulatedGuideCamera.shows)


# The guide camera ----------------------------------------------------------------------------

GUIDE_STORIES: dict[str, Any] = {}


def tells_guide(name: str) -> Any:
    def note(story: Any) -> Any:
        GUIDE_STORIES[name] = story
        return story

    return note


async def guide_frame(rig: FaultRig) -> np.ndarray:
    return await sound(rig, "guide_camera")


@tells_guide("guide-camera-unplugged")
async def guide_unplugged(rig: FaultRig) -> None:
    await rig.at(FROM_S - 5.0)
    command = Expose(exposure_id="g", frame="guide", exposure_s=10.0)
    assert "lost during expose" in str(await failed(rig, command, "guide_camera"))
    assert "not found" in str(await failed(rig, Connect(), "guide_camera"))
    await rig.at(UNTIL_S)
    await rig.do("guide_camera", Connect())
    await guide_frame(rig)


@tells_guide("guide-camera-frozen")
async def frozen(rig: FaultRig) -> None:
    first, second = [await guide_frame(rig) for _ in range(2)]
    assert not np.array_equal(first, second)
    await rig.at(FROM_S + 1.0)
    for _ in range(3):
        assert np.array_equal(await guide_frame(rig), second)
    await rig.at(UNTIL_S)
    assert not np.array_equal(await guide_frame(rig), second)


@tells_guide("guide-camera-hot")
async def hot(rig: FaultRig) -> None:
    calm = await guide_frame(rig)
    level = np.median(calm) + 1500.0
    await rig.at(FROM_S + 1.0)
    first, second = [await guide_frame(rig) > level for _ in range(2)]
    assert first.mean() == pytest.approx(0.01, abs=0.005) and (calm > level).mean() < 0.002
    # Unlike noise they stay where they are.
    assert (first & second).sum() > 0.95 * first.sum()
    await rig.at(UNTIL_S)
    assert (await guide_frame(rig) > level).mean() < 0.002


@tells_guide("guide-camera-wrong-exposure")
async def wrong_exposure(rig: FaultRig) -> None:
    usual = (await guide_frame(rig)).astype(float).mean()
    await rig.at(FROM_S + 1.0)
    ref = await shot(rig, role="guide_camera")
    assert now_s(rig) - FROM_S < 4.0 and ref.exposure_s == 10.0
    short = fetch(ref).astype(float).mean()
    await rig.do("guide_camera", Acknowledge(sha256=ref.sha256))
    assert short < usual - 2.0
    await rig.at(UNTIL_S)
    assert (await guide_frame(rig)).astype(float).mean() == pytest.approx(usual, abs=2.0)


@tells_guide("guide-star-lost")
async def star_lost(rig: FaultRig) -> None:
    def peaks(pixels: np.ndarray) -> float:
        return float(np.sort(pixels.ravel())[-40:].mean() - np.median(pixels))

    bright = peaks(await guide_frame(rig))
    await rig.at(FROM_S + 1.0)
    assert peaks(await guide_frame(rig)) < 0.2 * bright
    await rig.at(UNTIL_S)
    assert peaks(await guide_frame(rig)) > 0.7 * bright


@pytest.mark.parametrize("name", GUIDE_STORIES)
def test_a_guide_camera_shows(name: str) -> None:
    async def story(rig: FaultRig) -> None:
        await rig.do("mount", Unpark())
        await rig.do("mount", Slew(ra_deg=114.6, dec_deg=21.6))
        await GUIDE_STORIES[name](rig)

    small = {"width_px": 160, "height_px": 120, "hot_share": 0.0}
    roles = {"mount": {"worm_arcsec": 0.0}, "guide_camera": small}
    with_faults(story, roles, ("guide_camera", (name, FROM_S, UNTIL_S)))
