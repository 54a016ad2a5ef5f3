"""A mount, a guide camera and the guider behind real hosts, in virtual time."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from midwatch.bus import Caller, MemoryBroker, MemoryBus, Topics
from midwatch.clock import VirtualClock
from midwatch.devices.client import DeviceClient, LeaseHolder, MemorySpool
from midwatch.devices.contract import Connect, KeptFacts, MemoryKeptFacts, driver_factory, kind_of
from midwatch.devices.contract.kinds import Settle, Slew, Unpark
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from midwatch.sky import MountLimits, Place

PLACE = Place(46.2, 13.4, 1200.0)
EVENING = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
FIELD = (114.6, 21.6)  # rich, high, an hour past the meridian
SETTLE = Settle(under_arcsec=2.5, hold_s=10.0, timeout_s=120.0)
SMALL = {"width_px": 320, "height_px": 240, "focal_length_mm": 160.0, "seeing_arcsec": 2.5}
DRIVERS = {
    "mount": "simulated-mount",
    "guide_camera": "simulated-guide-camera",
    "guider": "midwatch-guider",
    "weather": "simulated-weather",
}
LEASE_S = 60.0


@dataclass
class GuidedRig:
    """The daemon's end of the bus, and the hosts."""

    clock: VirtualClock
    lease: LeaseHolder
    hosts: dict[str, DeviceHost]
    clients: dict[str, DeviceClient[Any]]
    seen: list[tuple[float, str, Mapping[str, Any]]] = field(default_factory=list)

    async def do(self, role: str, command: Any, timeout_s: float = 900.0) -> Any:
        return await self.clients[role].do(command, timeout_s)

    def state(self, role: str) -> Any:
        return self.clients[role].state

    def events(self, name: str) -> list[Mapping[str, Any]]:
        return [facts for _, said, facts in self.seen if said == name]

    @property
    def truth(self) -> Any:
        """Where the telescope really points."""
        return self.hosts["mount"].driver.truth()  # type: ignore[attr-defined]


@asynccontextmanager
async def guided_rig(
    *,
    limits: MountLimits | None = None,
    start: datetime = EVENING,
    field_deg: tuple[float, float] | None = FIELD,
    seed: int = 3,
    connect: tuple[str, ...] = tuple(DRIVERS),
    kept_facts: KeptFacts | None = None,
    **options: Mapping[str, Any],
) -> AsyncIterator[GuidedRig]:
    """Everything connected, the mount on a field and tracking; options by role."""
    clock, broker = VirtualClock(start), MemoryBroker()
    topics = Topics("Hill", "Rig")
    async with AsyncExitStack() as stack:
        hosts: dict[str, DeviceHost] = {}
        for role, driver in DRIVERS.items():
            spool = MemorySpool(f"guided {role}")
            stack.callback(spool.close)
            settings = dict(options.get(role, {}))
            if role == "guide_camera":
                settings = {**SMALL, **settings}
            hosts[role] = await stack.enter_async_context(
                DeviceHost(
                    MemoryBus(broker, role),
                    topics,
                    clock,
                    HostedDevice(
                        name=role,
                        driver_name=driver,
                        factory=driver_factory(driver),
                        options=settings,
                        spool=spool,
                        seed=seed,
                        kept_facts=(kept_facts if role == "guider" else None) or MemoryKeptFacts(),
                    ),
                    HostSetting(
                        place=PLACE,
                        heartbeat_s=30.0,
                        lease_s=LEASE_S,
                        limits=limits if role == "mount" else None,
                    ),
                )
            )  # fmt: skip
        bus = await stack.enter_async_context(MemoryBus(broker, "daemon"))
        caller = await stack.enter_async_context(Caller(bus, topics, clock, seed))
        lease = await stack.enter_async_context(LeaseHolder(bus, topics, clock, "daemon", LEASE_S))
        clients: dict[str, DeviceClient[Any]] = {}
        for role in DRIVERS:
            client: DeviceClient[Any] = DeviceClient(
                bus, topics, caller, clock, role, kind_of(role), 30.0, lease
            )
            await client.start()
            stack.push_async_callback(client.stop)
            clients[role] = client
        rig = GuidedRig(clock, lease, hosts, clients)
        clients["guider"].on_event(lambda name, facts: rig.seen.append((clock.mono(), name, facts)))
        await clock.sleep(1.0)
        for role in connect:
            await rig.do(role, Connect(), 60.0)
        if field_deg is not None:
            await rig.do("mount", Unpark(), 60.0)
            await rig.do("mount", Slew(ra_deg=field_deg[0], dec_deg=field_deg[1]), 300.0)
        yield rig
