"""The daemon's view of all devices of a rig."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from functools import partial
from typing import Self, TypeVar

from midwatch.bus import Bus, Caller, Topics
from midwatch.clock import Clock
from midwatch.devices.client.device_client import DeviceClient, Token
from midwatch.devices.client.listening import listen_to
from midwatch.devices.contract import ROLES, STATES, DeviceState, kind_of
from midwatch.devices.contract.kinds import (
    CameraState,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    GuiderState,
    MountState,
    RoofState,
    RotatorState,
    SwitchState,
    WeatherState,
)
from midwatch.tasks import Tasks, end

S = TypeVar("S", bound=DeviceState)

NEEDED = ("mount", "camera", "focuser")


class RigClient:
    """The devices of one rig by their role; a device's name on the bus is its role.

    Listens while started, or inside an `async with`. One task reads for all devices, and looks
    at each heartbeat which of them have fallen silent. `tasks` keeps both tasks; one of its own
    by default.

    Raises:
        ValueError: a role is unknown, or mount, camera or focuser is missing.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        caller: Caller,
        clock: Clock,
        roles: Iterable[str],
        heartbeat_s: float,
        lease: Token | None = None,
        tasks: Tasks | None = None,
    ) -> None:
        kinds = {role: kind_of(role) for role in roles}
        if missing := [role for role in NEEDED if role not in kinds]:
            raise ValueError(f"a rig needs {', '.join(missing)} as well")

        def needed(role: str, state: type[S]) -> DeviceClient[S]:
            assert STATES[kinds[role]] is state
            return DeviceClient(bus, topics, caller, clock, role, kinds[role], heartbeat_s, lease)

        def present(role: str, state: type[S]) -> DeviceClient[S] | None:
            return needed(role, state) if role in kinds else None

        self.mount = needed("mount", MountState)
        self.camera = needed("camera", CameraState)
        self.focuser = needed("focuser", FocuserState)
        self.guide_camera = present("guide_camera", CameraState)
        self.guider = present("guider", GuiderState)
        self.filter_wheel = present("filter_wheel", FilterWheelState)
        self.weather = present("weather", WeatherState)
        self.roof = present("roof", RoofState)
        self.flat_panel = present("flat_panel", FlatPanelState)
        self.switch = present("switch", SwitchState)
        self.rotator = present("rotator", RotatorState)
        self.lease = lease
        self._caller = caller
        self._clock = clock
        self._bus = bus
        self._heartbeat_s = heartbeat_s
        self._tasks = tasks or Tasks(clock)
        self._running: list[asyncio.Task[None]] = []

    @property
    def connected(self) -> bool:
        """Whether the bus is there, so that devices can be received at all."""
        return self._bus.connected

    @property
    def devices(self) -> dict[str, DeviceClient[DeviceState]]:
        """The devices that the rig has, by role, always in the same order."""
        present: dict[str, DeviceClient[DeviceState]] = {}
        for role in ROLES:
            client = getattr(self, role)
            if client is not None:
                present[role] = client
        return present

    @property
    def malformed(self) -> int:
        """How many messages and answers from devices were not understood."""
        return self._caller.malformed + sum(c.malformed for c in self.devices.values())

    def down(self) -> tuple[str, ...]:
        """Roles of the devices that must not be relied on now."""
        return tuple(role for role, client in self.devices.items() if client.down)

    async def start(self) -> None:
        """Begin to listen; starting twice is harmless."""
        if not self._running:
            clients = tuple(self.devices.values())
            listen = partial(listen_to, self._bus, clients)
            self._running = [
                self._tasks.keep("devices of the rig", listen, "leave"),
                self._tasks.keep("silence of the rig", partial(self._review, clients)),
            ]

    async def stop(self) -> None:
        """Listen no more; states stay what they were, and grow old."""
        running, self._running = self._running, []
        await end(*running, reason="the rig has no listener any more")

    async def wait_online(self, timeout_s: float) -> tuple[str, ...]:
        """Wait until every device has reported and is up.

        Returns:
            The roles that still were missing after `timeout_s` seconds; empty if all are there.
        """
        clients = self.devices.values()
        changed = asyncio.Event()
        stops = [client.listen(changed.set) for client in clients]
        try:
            async with self._clock.timeout(timeout_s):
                while self.down():
                    changed.clear()
                    await changed.wait()
        except TimeoutError:
            pass
        finally:
            for stop in stops:
                stop()
        return self.down()

    async def _review(self, clients: Iterable[DeviceClient[DeviceState]]) -> None:
        while True:
            await self._clock.sleep(self._heartbeat_s)
            for client in clients:
                client.review()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()
