"""Every simulated device behind a real host, held to what any driver promises."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import Any

import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import (
    STATES,
    Command,
    Connect,
    DeviceError,
    DeviceState,
    Disconnect,
    Kind,
    MakeSafe,
    Stop,
    commands_of,
    driver_factory,
)
from midwatch.devices.contract.kinds import (
    Cool,
    Cover,
    CycleOutlet,
    Expose,
    Light,
    Move,
    OpenRoof,
    Rotate,
    SelectFilter,
    SetOutlet,
    Settle,
    Slew,
    StartGuiding,
    Unpark,
)
from midwatch.virtual_time import run_virtual
from support.device_toys import START, Rig, at_hour_angle, toy_rig

LEASE_S = 60.0
# Longest that a driver may take to stop before its host gives it up.
STOP_S = 15.0
SLEW = Slew(ra_deg=at_hour_angle(START, -40.0, 30.0), dec_deg=30.0)


@dataclass(frozen=True)
class Case:
    """What a kind of device can be brought to do.

    Attributes:
        unrest: commands after which it is not at rest, or is where rest is not its start.
        long: a command that runs for more than five seconds; None where there is none.
        at_work: whether a state says that the long command runs.
        rest_within_s: time from make_safe's answer to rest (a camera warms slowly).
        first: commands without which it refuses the long one.
        with_mount: the device does its work only on a mount that tracks.
    """

    kind: Kind
    unrest: tuple[Command[Any], ...]
    long: Command[Any] | None
    at_work: Callable[[Any], bool] = lambda _: False
    rest_within_s: float = 0.0
    first: tuple[Command[Any], ...] = ()
    with_mount: bool = False

    @property
    def driver(self) -> str:
        return f"simulated-{self.kind.value.replace('_', '-')}"


GUIDE = StartGuiding(settle=Settle(under_arcsec=3.0, hold_s=10.0, timeout_s=120.0))
CASES = {
    case.kind: case
    for case in (
        Case(Kind.MOUNT, (Unpark(),), SLEW, lambda s: s.slewing, first=(Unpark(),)),
        Case(
            Kind.CAMERA,
            (Cool(setpoint_c=-10.0, rate_c_per_min=5.0),),
            Expose(exposure_id="long", frame="dark", exposure_s=300.0),
            lambda s: s.phase != "idle",
            rest_within_s=1200.0,
        ),
        Case(Kind.FOCUSER, (), Move(position=25_000), lambda s: s.moving),
        Case(
            Kind.GUIDER, (GUIDE,), GUIDE.model_copy(update={"recalibrate": True}),
            lambda s: s.phase != "idle", with_mount=True,
        ),
        Case(Kind.FILTER_WHEEL, (), SelectFilter(name="Ha"), lambda s: s.moving),
        Case(Kind.WEATHER, (), None),
        Case(Kind.ROOF, (OpenRoof(),), OpenRoof(), lambda s: s.position == "opening"),
        Case(
            Kind.FLAT_PANEL, (Light(brightness_percent=40.0),), Cover(closed=True),
            lambda s: s.cover == "moving",
        ),
        Case(
            Kind.SWITCH, (SetOutlet(outlet="dew_heater", on=True),),
            CycleOutlet(outlet="camera", off_s=60.0), lambda s: not s.outlets["camera"],
        ),
        Case(Kind.ROTATOR, (), Rotate(angle_deg=350.0), lambda s: s.moving),
    )
}  # fmt: skip
WORKING = [kind for kind, case in CASES.items() if case.long is not None]

Story = Callable[[Rig, DeviceClient[Any], Case], Coroutine[Any, Any, Any]]


def with_device(kind: Kind, story: Story, *, connect: bool = True) -> Any:
    """Run a story with one hosted device, its client and the lease, in virtual time."""
    case = CASES[kind]
    kinds = [kind, *([Kind.MOUNT] if case.with_mount else [])]

    async def main() -> Any:
        factories = {each: driver_factory(CASES[each].driver) for each in kinds}
        async with AsyncExitStack() as stack:
            rig = await stack.enter_async_context(
                toy_rig(*kinds, factories=factories, lease_s=LEASE_S)
            )
            await rig.lease.start()
            if case.with_mount:
                mount = rig.client(Kind.MOUNT)
                for command in (Connect(), Unpark(), SLEW):
                    await mount.do(command, 120.0)
            client = rig.client(kind)
            await client.start()
            stack.push_async_callback(client.stop)
            if connect:
                await client.do(Connect(), 10.0)
            return await story(rig, client, case)

    return run_virtual(main)


async def do_all(client: DeviceClient[Any], commands: Sequence[Command[Any]]) -> None:
    for command in commands:
        await client.do(command, 300.0)


async def set_out(rig: Rig, client: DeviceClient[Any], case: Case) -> asyncio.Task[Any]:
    """Give the long command and wait until it has visibly begun."""
    assert case.long is not None
    await do_all(client, case.first)
    task = asyncio.create_task(client.do(case.long, 600.0), name="long command")
    await rig.clock.sleep(3.0)
    assert case.at_work(client.state), f"not at work: {client.state}"
    return task


async def ended(task: asyncio.Task[Any]) -> CommandError:
    with pytest.raises(CommandError) as error:
        await task
    return error.value


def test_there_is_one_for_every_kind():
    assert list(CASES) == list(Kind)


@pytest.mark.parametrize("kind", Kind)
def test_says_what_it_is_and_tells_a_whole_state_of_its_kind(kind):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        driver = rig.hosts[kind.value].driver
        before = driver.state()
        await client.do(Connect(), 10.0)
        return driver.about(), before, driver.state(), client.state

    about, before, after, heard = with_device(kind, story, connect=False)
    assert (about.kind, about.driver) == (kind, CASES[kind].driver)
    own = {name for name, command in commands_of(kind).items() if command.kind is kind}
    # A camera without a shutter takes other darks than one that has it.
    assert set(about.capabilities) - {"shutter"} == own
    assert type(before) is type(after) is STATES[kind]
    assert not before.connected and before.at_rest and after.connected
    # What travels is the whole of it.
    assert heard == after
    assert STATES[kind].model_validate_json(after.model_dump_json()) == after


@pytest.mark.parametrize("kind", WORKING)
def test_works_only_while_it_has_its_hardware(kind):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        await client.do(Disconnect(), 10.0)
        gone = client.state
        with pytest.raises(CommandError) as refused:
            await client.do(case.long, 60.0)
        # Also the driver itself refuses, for a host that did not ask.
        with pytest.raises(DeviceError, match="not connected"):
            await rig.hosts[kind.value].driver.perform(case.long)
        await do_all(client, (Connect(), Connect()))
        task = await set_out(rig, client, case)
        await client.do(Stop(), 30.0)
        await ended(task)
        return gone, refused.value, client.state

    gone, refused, back = with_device(kind, story)
    assert not gone.connected and refused.kind is ErrorKind.NOT_CONNECTED
    assert back.connected


@pytest.mark.parametrize("kind", Kind)
def test_refuses_what_is_not_for_its_kind(kind):
    foreign = {
        name: command
        for other in Kind
        if other is not kind
        for name, command in commands_of(other).items()
        if command.kind is other
    }

    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        driver, refused = rig.hosts[kind.value].driver, []
        before = driver.state()
        for command in foreign.values():
            with pytest.raises(DeviceError) as error:
                await driver.perform(command.model_construct())
            refused.append(str(error.value))
        stranger = SelectFilter(name="L") if kind is not Kind.FILTER_WHEEL else Move(position=1)
        with pytest.raises(CommandError) as by_host:
            await client.do(stranger, 10.0)
        return refused, by_host.value.kind, before, driver.state()

    refused, by_host, before, after = with_device(kind, story)
    assert refused == [f"{kind.value} does not know {name}" for name in foreign]
    assert by_host is ErrorKind.UNKNOWN_COMMAND
    assert after == before


@pytest.mark.parametrize("kind", WORKING)
def test_stop_ends_what_runs_and_leaves_it_fit_for_work(kind):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        task = await set_out(rig, client, case)
        began = rig.clock.mono()
        await client.do(Stop(), 60.0)
        took_s, stopped = rig.clock.mono() - began, client.state
        error = await ended(task)
        await rig.clock.sleep(120.0)
        later = client.state
        await client.do(case.long, 600.0)
        return took_s, stopped, error, later, client.state

    took_s, stopped, error, later, after = with_device(kind, story)
    at_work = CASES[kind].at_work
    assert error.kind is ErrorKind.CANCELLED
    assert took_s < STOP_S
    assert not at_work(stopped) and not at_work(later)
    assert still(later) == still(stopped)
    assert after.fault is None and (kind is Kind.GUIDER or not at_work(after))


def still(state: DeviceState) -> dict[str, Any]:
    """The part of a state that does not change on a device that does nothing."""
    alive = {
        "ra_deg", "alt_deg", "az_deg", "hour_angle_deg", "temperature_c", "sensor_c",
        "cooler_percent",
    }  # fmt: skip
    # A mount that stands keeps its declination of date, not quite that of the catalogue.
    return {
        name: round(value, 3) if name == "dec_deg" else value
        for name, value in state.model_dump().items()
        if name not in alive
    }


@pytest.mark.parametrize("kind", Kind)
@pytest.mark.parametrize("working", [False, True])
def test_comes_to_rest_when_it_is_made_safe(kind, working):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        await do_all(client, case.unrest)
        restless = client.state
        task = None
        if working and case.long is not None and case.unrest != (case.long,):
            task = await set_out(rig, client, case)
        await client.do(MakeSafe(reason="test"), 300.0)
        if task is not None:
            assert (await ended(task)).kind is ErrorKind.CANCELLED
        await rig.clock.sleep(case.rest_within_s + 10.0)
        first = client.state
        await client.do(MakeSafe(reason="again"), 10.0)
        await rig.clock.sleep(10.0)
        return restless, first, client.state

    restless, first, second = with_device(kind, story)
    assert restless.at_rest is (not CASES[kind].unrest)
    assert first.at_rest and first.fault is None and not CASES[kind].at_work(first)
    assert second.at_rest and still(second) == still(first)


@pytest.mark.parametrize("kind", [kind for kind, case in CASES.items() if case.unrest])
def test_comes_to_rest_by_itself_when_nobody_holds_the_lease(kind):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        await do_all(client, case.unrest)
        await rig.clock.sleep(3 * LEASE_S)
        kept = client.state.at_rest
        await rig.lease.stop()
        await rig.clock.sleep(2 * LEASE_S + 60.0 + case.rest_within_s)
        return kept, client.state.at_rest

    assert with_device(kind, story) == (False, True)


@pytest.mark.parametrize("kind", Kind)
def test_says_what_is_wrong_with_a_setting(kind):
    async def story(rig: Rig, client: DeviceClient[Any], case: Case):
        context = rig.hosts[kind.value].driver.context
        options = {"no_such_setting": 1}
        wrong = type(context)(**{**vars(context), "options": options})
        with pytest.raises(DeviceError) as error:
            driver_factory(case.driver)(wrong)
        return str(error.value)

    message = with_device(kind, story)
    assert message.startswith(f"settings of {kind.value} are wrong: no_such_setting")
    assert "Known settings: " in message


@pytest.mark.parametrize("kind", Kind)
def test_one_seed_one_course_of_states_however_often_they_are_read(kind):
    def course(reads: int) -> list[bytes]:
        async def story(rig: Rig, client: DeviceClient[Any], case: Case):
            states = rig.bus.subscribe(rig.topics.state(kind.value))
            await do_all(client, case.unrest)
            for _ in range(12):
                await rig.clock.sleep(7.5)
                for _ in range(reads):
                    rig.hosts[kind.value].driver.state()
            await client.do(MakeSafe(reason="test"), 300.0)
            states.close()
            return [message.payload async for message in states]

        return with_device(kind, story)

    once = course(0)
    assert len(once) >= 9
    assert course(0) == once == course(5)
