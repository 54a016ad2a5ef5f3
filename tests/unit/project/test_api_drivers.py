"""A driver of each kind that sees the public interface only, behind the real host."""

from __future__ import annotations

import ast
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import (
    Command,
    Connect,
    Disconnect,
    Driver,
    DriverContext,
    Kind,
    MakeSafe,
    Stop,
    commands_of,
)
from midwatch.devices.contract.kinds import (
    Acknowledge,
    CloseRoof,
    Cool,
    Cover,
    CycleOutlet,
    Dither,
    Expose,
    Light,
    ListWaiting,
    Move,
    OpenRoof,
    Park,
    Pulse,
    Rotate,
    SelectFilter,
    SetOutlet,
    Settle,
    Slew,
    StartGuiding,
    StopGuiding,
    Sync,
    Track,
    Unpark,
    Warm,
)
from midwatch.virtual_time import run_virtual
from support import authored_drivers
from support.authored_drivers import FACTORIES
from support.device_toys import START, Rig, at_hour_angle, toy_rig

RA = at_hour_angle(START, -40.0, 30.0)
SLEW = Slew(ra_deg=RA, dec_deg=30.0)
SETTLE = Settle(under_arcsec=2.0, hold_s=10.0, timeout_s=60.0)
EXPOSE = Expose(exposure_id="e1", frame="light", exposure_s=30.0)

Seen = Callable[[Any], bool]


@dataclass(frozen=True)
class Case:
    """Commands, what the state says after each, and which of them takes time."""

    steps: tuple[tuple[Command[Any], Seen], ...]
    long: Command[Any] | None = None


CASES: dict[Kind, Case] = {
    Kind.MOUNT: Case(
        (
            (Unpark(), lambda s: not s.parked and not s.at_rest),
            (SLEW, lambda s: s.tracking and not s.slewing and s.dec_deg == 30.0),
            (Sync(ra_deg=RA, dec_deg=29.5), lambda s: s.dec_deg == 29.5),
            (Pulse(direction="north", duration_ms=200), lambda s: s.tracking),
            (Track(on=False), lambda s: not s.tracking),
            (Park(), lambda s: s.parked and s.at_rest),
            (Unpark(), lambda s: not s.parked),
        ),
        SLEW.model_copy(update={"dec_deg": 10.0}),
    ),
    Kind.CAMERA: Case(
        (
            (Cool(setpoint_c=-8.0, rate_c_per_min=10.0), lambda s: s.cooler_on and not s.at_rest),
            (EXPOSE, lambda s: s.phase == "idle" and len(s.waiting) == 1),
            (Warm(rate_c_per_min=10.0), lambda s: s.connected),
        ),
        EXPOSE.model_copy(update={"exposure_id": "e2"}),
    ),
    Kind.FOCUSER: Case(
        ((Move(position=4321), lambda s: s.position == 4321 and not s.moving),),
        Move(position=9000),
    ),
    Kind.GUIDER: Case(
        (
            (StartGuiding(settle=SETTLE), lambda s: s.phase == "guiding" and s.calibrated),
            (
                Dither(east_arcsec=2.0, north_arcsec=0.0, settle=SETTLE),
                lambda s: s.phase == "guiding",
            ),
            (StopGuiding(), lambda s: s.phase == "idle"),
        ),
        StartGuiding(settle=SETTLE),
    ),
    Kind.FILTER_WHEEL: Case(
        ((SelectFilter(name="B"), lambda s: s.selected == "B"),), SelectFilter(name="G")
    ),
    Kind.WEATHER: Case(()),
    Kind.ROOF: Case(
        (
            (OpenRoof(), lambda s: s.position == "open" and not s.at_rest),
            (CloseRoof(), lambda s: s.position == "closed" and s.at_rest),
        ),
        OpenRoof(),
    ),
    Kind.FLAT_PANEL: Case(
        (
            (Light(brightness_percent=40.0), lambda s: s.lit and not s.at_rest),
            (Cover(closed=True), lambda s: s.cover == "closed"),
        ),
        Cover(closed=False),
    ),
    Kind.SWITCH: Case(
        (
            (SetOutlet(outlet="heater", on=True), lambda s: s.outlets["heater"]),
            (CycleOutlet(outlet="camera", off_s=5.0), lambda s: s.outlets["camera"]),
        ),
        CycleOutlet(outlet="heater", off_s=60.0),
    ),
    Kind.ROTATOR: Case(
        ((Rotate(angle_deg=90.0), lambda s: s.angle_deg == 90.0 and not s.moving),),
        Rotate(angle_deg=350.0),
    ),
}
# The host does them, or every kind takes them.
COMMON = {"connect", "disconnect", "stop", "make_safe"}
CAMERA_ONLY = {"list_waiting", "acknowledge"}


def hosted(kind: Kind, folder: Path, story: Callable[[Rig, DeviceClient[Any]], Any]) -> Any:
    """Run a story with one device behind its host, and a mount beside a guider."""

    def factory(of: Kind) -> Callable[[DriverContext], Driver]:
        registers = folder / of
        return lambda given: FACTORIES[of](replace(given, options={"folder": str(registers)}))

    kinds = [kind, *([Kind.MOUNT] if kind is Kind.GUIDER else [])]
    for each in kinds:
        (folder / each).mkdir()

    async def main() -> Any:
        async with AsyncExitStack() as stack:
            factories = {each: factory(each) for each in kinds}
            rig = await stack.enter_async_context(toy_rig(*kinds, factories=factories))
            await rig.lease.start()
            if kind is Kind.GUIDER:
                mount = rig.client(Kind.MOUNT)
                for command in (Connect(), Unpark(), SLEW):
                    await mount.do(command, 120.0)
            client = rig.client(kind)
            await client.start()
            stack.push_async_callback(client.stop)
            return await story(rig, client)

    return run_virtual(main)


def test_the_drivers_see_the_public_interface_only() -> None:
    tree = ast.parse(Path(authored_drivers.__file__).read_text(encoding="utf-8"))
    seen = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    seen |= {a.name for node in ast.walk(tree) if isinstance(node, ast.Import) for a in node.names}
    assert {name for name in seen if str(name).startswith("midwatch")} == {"midwatch.api.driver"}


def test_every_kind_and_every_command_is_tried() -> None:
    assert set(FACTORIES) == set(CASES) == set(Kind)
    for kind, case in CASES.items():
        tried = {command.command for command, _ in case.steps} | COMMON
        tried |= CAMERA_ONLY if kind is Kind.CAMERA else set()
        assert tried == set(commands_of(kind))


@pytest.mark.parametrize("kind", list(Kind))
def test_a_driver_by_an_author_does_what_its_kind_does(kind: Kind, tmp_path: Path) -> None:
    async def story(_rig: Rig, client: DeviceClient[Any]) -> None:
        await client.do(Connect(), 10.0)
        assert client.state.connected
        assert client.about is not None
        assert client.about.kind is kind
        for command, told in CASES[kind].steps:
            await client.do(command, 300.0)
            assert told(client.state), (command, client.state)
        await client.do(Disconnect(), 10.0)
        assert not client.state.connected

    hosted(kind, tmp_path, story)


@pytest.mark.parametrize("kind", [kind for kind, case in CASES.items() if case.long is not None])
def test_it_is_stopped_in_the_middle_of_what_takes_time(kind: Kind, tmp_path: Path) -> None:
    async def story(rig: Rig, client: DeviceClient[Any]) -> None:
        await client.do(Connect(), 10.0)
        if kind is Kind.MOUNT:
            await client.do(Unpark(), 10.0)
        if kind is Kind.FLAT_PANEL:
            await client.do(Cover(closed=True), 60.0)
        long = CASES[kind].long
        assert long is not None

        async def stop() -> None:
            await rig.clock.sleep(1.5)
            await client.do(Stop(), 10.0)

        rig.hosts[kind.value].driver.context.spawn("stop", stop())  # type: ignore[attr-defined]
        with pytest.raises(CommandError) as stopped:
            await client.do(long, 300.0)
        assert stopped.value.kind is ErrorKind.CANCELLED
        assert not getattr(client.state, "moving", False)
        assert not getattr(client.state, "slewing", False)

    hosted(kind, tmp_path, story)


@pytest.mark.parametrize("kind", list(Kind))
def test_it_comes_to_rest_when_it_is_reported_to_be_safe(kind: Kind, tmp_path: Path) -> None:
    async def story(rig: Rig, client: DeviceClient[Any]) -> None:
        await client.do(Connect(), 10.0)
        if CASES[kind].steps:
            await client.do(CASES[kind].steps[0][0], 300.0)
        await client.do(MakeSafe(reason="a test"), 300.0)
        await client.until(lambda state: state.at_rest, 1200.0)

    hosted(kind, tmp_path, story)


def test_a_frame_waits_until_it_is_acknowledged(tmp_path: Path) -> None:
    async def story(_rig: Rig, client: DeviceClient[Any]) -> None:
        await client.do(Connect(), 10.0)
        ref = await client.do(EXPOSE, 60.0)
        assert (ref.width_px, ref.height_px, ref.exposure_id) == (12, 8, "e1")
        assert (await client.do(ListWaiting(), 10.0)).frames == (ref,)
        await client.do(Acknowledge(sha256=ref.sha256), 10.0)
        assert (await client.do(ListWaiting(), 10.0)).frames == ()

    hosted(Kind.CAMERA, tmp_path, story)


def test_a_guider_calibrates_with_pulses_that_the_mount_gets_and_keeps_that_in_mind(
    tmp_path: Path,
) -> None:
    async def story(rig: Rig, client: DeviceClient[Any]) -> list[tuple[str, int]]:
        await client.do(Connect(), 10.0)
        start = StartGuiding(settle=SETTLE)
        for command in (start, StopGuiding(), start):
            await client.do(command, 60.0)
        mount = rig.hosts["mount"].driver
        assert isinstance(mount, authored_drivers.RegisterMount)
        return [(pulse.direction, pulse.duration_ms) for pulse in mount.pulses]

    assert hosted(Kind.GUIDER, tmp_path, story) == [("west", 500), ("north", 500)]


def test_hardware_that_is_not_there_is_reported_in_words(tmp_path: Path) -> None:
    async def story(_rig: Rig, client: DeviceClient[Any]) -> CommandError:
        (tmp_path / Kind.SWITCH).rmdir()
        with pytest.raises(CommandError) as refused:
            await client.do(Connect(), 10.0)
        return refused.value

    refused = hosted(Kind.SWITCH, tmp_path, story)
    assert "check the cable" in refused.message
    assert refused.retryable
