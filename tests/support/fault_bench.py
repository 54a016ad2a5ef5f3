"""Hosted simulated devices whose faults come and go, and whose drivers can be killed."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from midwatch.bus import Caller, MemoryBroker, MemoryBus, Topics
from midwatch.clock import VirtualClock
from midwatch.devices.client import DeviceClient, FolderSpool, LeaseHolder, MemorySpool
from midwatch.devices.contract import Connect, MemoryKeptFacts, driver_factory, kind_of
from midwatch.devices.contract.kinds import Sync, Unpark
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from midwatch.sky import MountLimits, Place
from midwatch.virtual_time import run_virtual

PLACE = Place(46.2, 13.4, 1200.0)
EVENING = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
# When faults begin and end unless a test says otherwise, seconds after the rig was started.
FROM_S, UNTIL_S = 300.0, 900.0
LEASE_S = 60.0

Span = tuple[str, float, float | None]
Story = Callable[["FaultRig"], Awaitable[Any]]


class JsonKeptFacts(MemoryKeptFacts):
    """Keeps what a file would bring back."""

    def save(self, facts: Mapping[str, Any]) -> None:
        super().save(json.loads(json.dumps(dict(facts), allow_nan=False)))


class FaultRig:
    """The daemon's end of the bus, and hosts of simulated devices."""

    def __init__(
        self,
        options: Mapping[str, Mapping[str, Any]],
        folder: Path | None,
        stack: AsyncExitStack,
        limits: MountLimits | None = None,
    ) -> None:
        self.clock = VirtualClock(EVENING)
        self.hosts: dict[str, DeviceHost] = {}
        self._options = options
        self._stack = stack
        self._folder = folder
        self._limits = limits
        self._broker = MemoryBroker()
        self._topics = Topics("Hill", "Rig")
        self._buses: dict[str, MemoryBus] = {}
        self._kept_facts_of = {role: JsonKeptFacts() for role in options}
        self._spools = {role: MemorySpool(f"faulty {role}") for role in options}
        self._clients: dict[str, DeviceClient[Any]] = {}
        self.heard: dict[str, list[tuple[float, Any]]] = {role: [] for role in options}

    async def start(self, role: str) -> None:
        """Start a driver's host, as a supervisor would."""
        self._buses[role] = MemoryBus(self._broker, role)
        driver = f"simulated-{role.replace('_', '-')}"
        spool = self._spools[role] if self._folder is None else FolderSpool(self._folder / role)
        host = DeviceHost(
            self._buses[role],
            self._topics,
            self.clock,
            HostedDevice(
                name=role,
                driver_name=driver,
                factory=driver_factory(driver),
                options=self._options[role],
                spool=spool,
                seed=5,
                kept_facts=self._kept_facts_of[role],
            ),
            HostSetting(
                place=PLACE,
                heartbeat_s=30.0,
                lease_s=LEASE_S,
                limits=self._limits,
            ),
        )  # fmt: skip
        self.hosts[role] = await host.__aenter__()

    async def kill(self, role: str) -> None:
        """Have a driver's process die: nothing is said on the bus any more."""
        self._buses[role].drop()
        await self.hosts.pop(role).__aexit__(None, None, None)

    async def restart(self, role: str, after_s: float) -> None:
        await self.kill(role)
        await self.clock.sleep(after_s)
        await self.start(role)
        await self.clock.sleep(1.0)

    async def serve(self) -> None:
        for role in self._options:
            await self.start(role)
        bus = await self._stack.enter_async_context(MemoryBus(self._broker, "daemon"))
        caller = await self._stack.enter_async_context(Caller(bus, self._topics, self.clock, 1))
        lease = LeaseHolder(bus, self._topics, self.clock, "daemon", LEASE_S)
        await lease.start()
        self._stack.push_async_callback(lease.stop)
        for role in self._options:
            client: DeviceClient[Any] = DeviceClient(
                bus, self._topics, caller, self.clock, role, kind_of(role), 30.0, lease
            )
            await client.start()
            self._stack.push_async_callback(client.stop)
            self._clients[role] = client
        await self.clock.sleep(1.0)
        for role in self._options:
            await self.do(role, Connect())

    async def close(self) -> None:
        for host in self.hosts.values():
            await host.__aexit__(None, None, None)
        for spool in self._spools.values():
            spool.close()

    async def do(self, role: str, command: Any, timeout_s: float = 600.0) -> Any:
        return await self._clients[role].do(command, timeout_s)

    def client(self, role: str) -> DeviceClient[Any]:
        return self._clients[role]

    def about(self, role: str) -> Any:
        return self._clients[role].about

    def state(self, role: str) -> Any:
        """What the device says."""
        return self._clients[role].state

    def truth(self, role: str) -> Any:
        """What is."""
        return self.hosts[role].driver.truth()  # type: ignore[attr-defined]

    async def at(self, after_s: float) -> None:
        """Wait until so long after the beginning."""
        left_s = after_s - (self.clock.unix_s() - EVENING.timestamp())
        assert left_s >= 0.0, f"the story is {-left_s:.0f} s late"
        await self.clock.sleep(left_s)

    # The mount ----------------------------------------------------------------------------

    def pointing(self) -> tuple[float, float]:
        """Where the telescope really points."""
        ra, dec = self.truth("mount").pointing(self.clock.unix_s())
        return float(ra), float(dec)

    def off_deg(self) -> tuple[float, float]:
        """How far the telescope is from where the mount says: right ascension, declination."""
        ra, dec = self.pointing()
        state = self.hosts["mount"].driver.state()
        return (ra - state.ra_deg + 180.0) % 360.0 - 180.0, dec - state.dec_deg  # type: ignore[attr-defined]

    async def sync(self) -> None:
        ra, dec = self.pointing()
        await self.do("mount", Sync(ra_deg=ra, dec_deg=dec))

    async def look_at(self, slew: Any) -> None:
        """Unpark if need be, slew, and sync where the telescope points."""
        if self.state("mount").parked:
            await self.do("mount", Unpark())
        await self.do("mount", slew)
        await self.sync()


@asynccontextmanager
async def _faulty(
    options: Mapping[str, Mapping[str, Any]], folder: Path | None, limits: MountLimits | None
) -> AsyncIterator[FaultRig]:
    async with AsyncExitStack() as stack:
        rig = FaultRig(options, folder, stack, limits)
        stack.push_async_callback(rig.close)
        await rig.serve()
        yield rig


def with_faults(
    story: Story,
    roles: Mapping[str, Mapping[str, Any]],
    *spans: tuple[str, Span],
    folder: Path | None = None,
    limits: MountLimits | None = None,
) -> Any:
    """Run a story in virtual time with devices by role and their settings, and faults by role.

    Args:
        limits: of the mount, kept by its host.
    """
    t0 = EVENING.timestamp()
    options = {
        role: {
            **settings,
            "faults": [
                {
                    "name": name,
                    "from_utc_s": t0 + from_s,
                    "until_utc_s": None if until_s is None else t0 + until_s,
                }
                for where, (name, from_s, until_s) in spans
                if where == role
            ],
        }
        for role, settings in roles.items()
    }

    async def main() -> Any:
        async with _faulty(options, folder, limits) as rig:
            return await story(rig)

    return run_virtual(main)
