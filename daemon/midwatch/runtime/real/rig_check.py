"""Brings up the devices of a rig and asks each how it is.

Where the rig file names a broker, the devices are hosted elsewhere, and are listened to there.
Otherwise their drivers are hosted in this process for a moment. A device without a link to its
hardware is asked to open it, and to close it again: if a night runs, it holds the lease, and such
a device refuses.
"""

from __future__ import annotations

from contextlib import AsyncExitStack
from dataclasses import dataclass, replace

from midwatch.bus import (
    Bus,
    Caller,
    CallTimeoutError,
    CommandError,
    ErrorKind,
    MemoryBroker,
    MemoryBus,
)
from midwatch.bus.mqtt import MqttBus
from midwatch.clock import Clock, WallClock
from midwatch.devices.client import DeviceClient, LeaseHolder, MemorySpool, RigClient
from midwatch.devices.contract import Connect, DeviceState, Disconnect
from midwatch.devices.contract.kinds import MountState
from midwatch.devices.host import RigSetting, device_host
from midwatch.errors import MidwatchError
from midwatch.orders.models import Rig
from midwatch.orders.reading import Night
from midwatch.runtime.files import broker_of
from midwatch.runtime.real.cooler_check import cooler_reach
from midwatch.runtime.visit import CONNECT_S, reach
from midwatch.sky.mounts import MountGeometry
from midwatch.tasks import together

# A device that was just brought up says what it is at once; hardware takes some seconds to answer.
_ONLINE_S = 5.0
_CONNECT_DEVICE_S = 30.0
_POLL_S = 0.05
# Weather and focuser say how warm the air is once their links are open.
_SETTLE_S = 2.0


@dataclass(frozen=True)
class Fitness:
    """How one device is.

    Attributes:
        trouble: what is wrong and what to try; None when it is well.
        remark: what was seen of one that is well.
        misdeclared: the trouble is in the rig file, not in the device.
        notable: it is well, and something about it should be known.
    """

    role: str
    driver: str
    trouble: str | None
    remark: str = ""
    misdeclared: bool = False
    notable: bool = False


async def rig_fitness(
    night: Night, *, cooler: bool = False, clock: Clock | None = None
) -> list[Fitness]:
    """Return how each device of the rig is, in the order of the rig file.

    Args:
        night: site, rig and orders.
        cooler: cool the camera to its set point and see what it holds; takes up to an hour.
        clock: the wall clock unless another is given.

    Raises:
        UnreachableError: the rig's broker does not answer.
    """
    clock = clock or WallClock()
    setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
    broker = broker_of(night.rig.bus, night.paths["rig"])
    async with AsyncExitStack() as stack:
        if not broker.embedded:
            seed = int(clock.unix_s() * 1000)
            bus: Bus = MqttBus(broker, f"midwatch-check-{seed}", clock, seed=seed)
            await stack.enter_async_context(bus)
            await reach(bus, broker, CONNECT_S)
            limit_s = night.rig.bus.heartbeat_s
            return await _ask(stack, bus, setting, clock, {}, limit_s, cooler=cooler)
        memory = MemoryBroker()
        troubles: dict[str, str] = {}
        for role in night.rig.devices.present():
            spool = MemorySpool(role)
            stack.callback(spool.close)
            try:
                host = device_host(
                    role, setting, bus=MemoryBus(memory, role), clock=clock, seed=1, spool=spool
                )
                await stack.enter_async_context(host)
            except MidwatchError as error:
                troubles[role] = str(error)
        bus = await stack.enter_async_context(MemoryBus(memory, "check"))
        return await _ask(stack, bus, setting, clock, troubles, _ONLINE_S, cooler=cooler)


async def _ask(
    stack: AsyncExitStack,
    bus: Bus,
    setting: RigSetting,
    clock: Clock,
    troubles: dict[str, str],
    limit_s: float,
    *,
    cooler: bool,
) -> list[Fitness]:
    rig_file, topics = setting.rig, setting.topics
    seed = int(clock.unix_s() * 1000)
    caller = await stack.enter_async_context(Caller(bus, topics, clock, seed))
    lease = LeaseHolder(bus, topics, clock, f"check-{seed}", rig_file.bus.lease_s)
    present = rig_file.devices.present()
    rig = RigClient(bus, topics, caller, clock, present, rig_file.bus.heartbeat_s, lease)
    await stack.enter_async_context(rig)
    missing = await _wait_for(rig, clock, frozenset(troubles), limit_s)
    states = {role: client.state for role, client in rig.devices.items()}
    if any(state is not None and not state.connected for state in states.values()):
        await stack.enter_async_context(lease)

    async def look(role: str) -> Fitness:
        client, driver, state = rig.devices[role], present[role].driver, states[role]
        if role in troubles:
            return Fitness(role, driver, troubles[role])
        if role in missing or state is None:
            return Fitness(role, driver, _SILENT.format(role=role))
        if not state.connected:
            measured = cooler and role == "camera" and rig_file.camera.cool_to_c is not None
            return await _try_link(client, driver, rig_file, clock, rig if measured else None)
        return _judged(role, driver, state, rig_file.geometry)

    return await together({f"look at {role}": look(role) for role in present})


async def _wait_for(
    rig: RigClient, clock: Clock, hopeless: frozenset[str], limit_s: float
) -> frozenset[str]:
    """Wait until every device is up, except for some; return those that are not."""
    ends_s = clock.mono() + limit_s
    while frozenset(rig.down()) - hopeless and clock.mono() < ends_s:
        await clock.sleep(_POLL_S)
    return frozenset(rig.down())


async def _try_link(
    client: DeviceClient[DeviceState],
    driver: str,
    rig_file: Rig,
    clock: Clock,
    cooled: RigClient | None,
) -> Fitness:
    """Have a device open the link to its hardware, look at it, and have it closed again.

    With `cooled`, the rig around it, the cooler of a camera is measured as well.
    """
    reach = None
    try:
        await client.do(Connect(), _CONNECT_DEVICE_S)
        state = client.state
        if cooled is not None:
            await clock.sleep(_SETTLE_S)  # until the others have reported the air
            heartbeat_s = rig_file.bus.heartbeat_s
            reach = await cooler_reach(client, rig_file.camera, heartbeat_s, clock, _air_c(cooled))
        await client.do(Disconnect(), _CONNECT_DEVICE_S)
    except CommandError as error:
        if error.kind is ErrorKind.NO_LEASE:
            remark = "answers; a night that is running holds the lease, so its link was not tried"
            return Fitness(client.name, driver, None, remark)
        return Fitness(client.name, driver, f"{error}; check its power and cable")
    except CallTimeoutError as error:
        return Fitness(client.name, driver, f"{error}; check its power and cable")
    assert state is not None
    found = _judged(client.name, driver, state, rig_file.geometry)
    if reach is None or found.trouble is not None:
        return found
    return replace(found, remark=f"{found.remark}; {reach[0]}", notable=not reach[1])


def _air_c(rig: RigClient) -> float | None:
    """Return the temperature of the air: of the weather sensor, else of the focuser's probe."""
    weather = None if rig.weather is None else rig.weather.state
    if weather is not None and weather.air_c is not None:
        return weather.air_c
    return rig.focuser.state.temperature_c if rig.focuser.state is not None else None


def _judged(role: str, driver: str, state: DeviceState, geometry: MountGeometry) -> Fitness:
    if isinstance(state, MountState) and (wrong := geometry.contradiction(state.pier_side)):
        return Fitness(role, driver, wrong, misdeclared=True)
    if state.fault is not None:
        return Fitness(role, driver, f"it says: {state.fault}")
    return Fitness(role, driver, None, "answers; at rest" if state.at_rest else "answers")


_SILENT = "there is no sign of it; start it with midwatch device {role}, or look at its log"
