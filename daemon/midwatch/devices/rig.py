"""The daemon's view of all devices of a rig."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import Self, TypeVar

from midwatch.bus import Bus
from midwatch.bus.calls import Caller
from midwatch.bus.topics import Topics
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, Token, listen_to
from midwatch.devices.models import (
    STATES,
    CameraState,
    DeviceState,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    GuiderState,
    Kind,
    MountState,
    RoofState,
    SwitchState,
    WeatherState,
)

S = TypeVar("S", bound=DeviceState)

NEEDED = (Kind.MOUNT, Kind.CAMERA, Kind.FOCUSER)


class RigClient:
    """The devices of one rig by their role; a device's name on the bus is its role.

    Listens while started, or inside an `async with`. One task reads for all devices, and looks
    at each heartbeat which of them have fallen silent.

    Raises:
        ValueError: a role is not a kind of device, or mount, camera or focuser is missing.
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
    ) -> None:
        kinds = {Kind(role) for role in roles}
        if missing := [kind.value for kind in NEEDED if kind not in kinds]:
            raise ValueError(f"a rig needs {', '.join(missing)} as well")

        def needed(kind: Kind, state: type[S]) -> DeviceClient[S]:
            assert STATES[kind] is state
            return DeviceClient(bus, topics, caller, clock, kind.value, kind, heartbeat_s, lease)

        def present(kind: Kind, state: type[S]) -> DeviceClient[S] | None:
            return needed(kind, state) if kind in kinds else None

        self.mount = needed(Kind.MOUNT, MountState)
        self.camera = needed(Kind.CAMERA, CameraState)
        self.focuser = needed(Kind.FOCUSER, FocuserState)
        self.guider = present(Kind.GUIDER, GuiderState)
        self.filter_wheel = present(Kind.FILTER_WHEEL, FilterWheelState)
        self.weather = present(Kind.WEATHER, WeatherState)
        self.roof = present(Kind.ROOF, RoofState)
        self.flat_panel = present(Kind.FLAT_PANEL, FlatPanelState)
        self.switch = present(Kind.SWITCH, SwitchState)
        self.lease = lease
        self._clock = clock
        self._bus = bus
        self._heartbeat_s = heartbeat_s
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def devices(self) -> dict[str, DeviceClient[DeviceState]]:
        """The devices that the rig has, by role, always in the same order."""
        present: dict[str, DeviceClient[DeviceState]] = {}
        for kind in Kind:
            client = getattr(self, kind.value)
            if client is not None:
                present[kind.value] = client
        return present

    def down(self) -> tuple[str, ...]:
        """Roles of the devices that must not be relied on now."""
        return tuple(role for role, client in self.devices.items() if client.down)

    async def start(self) -> None:
        """Begin to listen; starting twice is harmless."""
        if not self._tasks:
            clients = tuple(self.devices.values())
            self._tasks = [
                asyncio.create_task(listen_to(self._bus, clients), name="devices of the rig"),
                asyncio.create_task(self._review(clients), name="silence of the rig"),
            ]

    async def stop(self) -> None:
        """Listen no more; states stay what they were, and grow old."""
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def wait_online(self, timeout_s: float) -> tuple[str, ...]:
        """Wait until every device has been heard of and is up.

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
