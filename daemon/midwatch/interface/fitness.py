"""Brings up the devices of a rig and asks each how it is.

Where the rig file names a broker, the devices are hosted elsewhere: they are only listened to, so
that a running night is not disturbed. Otherwise their drivers are hosted in this process for a
moment, connected, asked and disconnected.
"""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from dataclasses import dataclass

from midwatch.bus import Bus
from midwatch.bus.calls import Caller, CallTimeoutError, CommandError
from midwatch.bus.memory import MemoryBroker, MemoryBus
from midwatch.bus.mqtt import MqttBus
from midwatch.clock import Clock, WallClock
from midwatch.devices.client import DeviceClient
from midwatch.devices.lease import LeaseHolder
from midwatch.devices.models import Connect, DeviceState, Disconnect
from midwatch.devices.process import RigSetting, device_host
from midwatch.devices.rig import RigClient
from midwatch.devices.spool import MemorySpool
from midwatch.errors import MidwatchError, UnreachableError
from midwatch.interface.hail import CONNECT_S, reach
from midwatch.interface.runfile import broker_of
from midwatch.orders import Night

# A device that was just brought up says what it is at once; hardware takes some seconds to answer.
_ONLINE_S = 5.0
_CONNECT_DEVICE_S = 30.0
_POLL_S = 0.05


@dataclass(frozen=True)
class Fitness:
    """How one device is; `trouble` says what is wrong and what to try, None when it is well."""

    role: str
    driver: str
    state: DeviceState | None
    trouble: str | None


async def rig_fitness(night: Night) -> list[Fitness]:
    """Return how each device of the rig is, in the order of the rig file.

    Raises:
        UnreachableError: the rig's broker does not answer.
    """
    clock = WallClock()
    setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
    broker = broker_of(night.rig.bus, night.paths["rig"])
    async with AsyncExitStack() as stack:
        if not broker.embedded:
            seed = int(clock.unix_s() * 1000)
            bus: Bus = MqttBus(broker, f"midwatch-check-{seed}", clock, seed=seed)
            await stack.enter_async_context(bus)
            await reach(bus, broker, CONNECT_S)
            return await _ask(stack, bus, setting, clock, {}, hosted_here=False)
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
        return await _ask(stack, bus, setting, clock, troubles, hosted_here=True)


async def _ask(
    stack: AsyncExitStack,
    bus: Bus,
    setting: RigSetting,
    clock: Clock,
    troubles: dict[str, str],
    *,
    hosted_here: bool,
) -> list[Fitness]:
    rig_file, topics = setting.rig, setting.topics
    caller = await stack.enter_async_context(Caller(bus, topics, clock, int(clock.unix_s() * 1000)))
    lease = None
    if hosted_here:
        lease = LeaseHolder(bus, topics, clock, "check", rig_file.bus.lease_s)
        await stack.enter_async_context(lease)
    present = rig_file.devices.present()
    rig = RigClient(bus, topics, caller, clock, present, rig_file.bus.heartbeat_s, lease)
    await stack.enter_async_context(rig)
    limit_s = _ONLINE_S if hosted_here else rig_file.bus.heartbeat_s
    missing = await _wait_for(rig, clock, frozenset(troubles), limit_s)

    async def look(role: str) -> Fitness:
        client, driver = rig.devices[role], present[role].driver
        if role in troubles:
            return Fitness(role, driver, None, troubles[role])
        if role in missing:
            return Fitness(role, driver, None, _SILENT.format(role=role))
        if hosted_here:
            return await _try_link(client, role, driver)
        return Fitness(role, driver, client.state, _trouble(role, client.state))

    return list(await asyncio.gather(*(look(role) for role in present)))


async def _wait_for(
    rig: RigClient, clock: Clock, hopeless: frozenset[str], limit_s: float
) -> frozenset[str]:
    """Wait until every device is up, except for some; return those that are not."""
    ends_s = clock.mono() + limit_s
    while frozenset(rig.down()) - hopeless and clock.mono() < ends_s:
        await clock.sleep(_POLL_S)
    return frozenset(rig.down())


async def _try_link(client: DeviceClient[DeviceState], role: str, driver: str) -> Fitness:
    """Connect a device, look at it, and let it go again."""
    try:
        await client.do(Connect(), _CONNECT_DEVICE_S)
        state = client.state
        await client.do(Disconnect(), _CONNECT_DEVICE_S)
    except (CommandError, CallTimeoutError, UnreachableError) as error:
        return Fitness(role, driver, client.state, f"{error}; check its power and cable")
    return Fitness(role, driver, state, _trouble(role, state))


_SILENT = "nothing is heard of it; start it with midwatch device {role}, or look at its log"


def _trouble(role: str, state: DeviceState | None) -> str | None:
    if state is None:
        return _SILENT.format(role=role)
    if state.fault is not None:
        return f"it says: {state.fault}"
    if not state.connected:
        return "its driver runs and has no link to the hardware; check its power and cable"
    return None
