"""Small drivers that really do what they are told, and a rig of them on an in-process bus."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from midwatch.bus import Bus, Caller, MemoryBroker, MemoryBus, Topics
from midwatch.clock import Clock, VirtualClock
from midwatch.devices.client import DeviceClient, LeaseHolder, MemorySpool
from midwatch.devices.contract import (
    Command,
    Connect,
    DeviceAbout,
    DeviceError,
    DeviceState,
    Disconnect,
    DriverContext,
    Kind,
    Model,
    Stop,
)
from midwatch.devices.contract.kinds import (
    Acknowledge,
    CameraState,
    Cool,
    Expose,
    FrameRef,
    ListWaiting,
    MountState,
    Park,
    Pulse,
    Slew,
    Track,
    Unpark,
    Waiting,
)
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from midwatch.sky import MountLimits, Observer, Place

PLACE = Place(46.0, 8.0, 1200.0)
START = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)


class ToyMount:
    """A mount that takes its time: 4 deg/s, 2 s to stop tracking, 20 s to park."""

    kind = Kind.MOUNT

    def __init__(self, context: DriverContext) -> None:
        self.context = context
        self.observer = Observer(context.place)
        self.now = MountState(connected=True, ra_deg=0.0, dec_deg=90.0)
        self.parks = 0
        self.closed = False
        self.deaf = False

    def about(self) -> DeviceAbout:
        return DeviceAbout(
            kind=self.kind, driver="toy", capabilities=("pulse",), limits={"slew_rate_deg_s": 4.0}
        )

    def state(self) -> MountState:
        return self.now

    def become(self, **changes: object) -> None:
        self.now = self.now.model_copy(update=changes)
        self.context.changed()

    async def perform(self, command: Command[Any]) -> Model | None:
        match command:
            case Slew():
                await self.slew(command)
            case Track(on=on):
                await self.track(on)
            case Park():
                await self.park()
            case Unpark():
                self.become(parked=False, at_rest=False)
            case Pulse():
                await self.context.clock.sleep(command.duration_ms / 1000)
            case Stop():
                self.become(tracking=False, slewing=False)
            case Connect():
                self.become(connected=True)
            case Disconnect():
                self.become(connected=False)
            case _:
                raise RuntimeError(f"unexpected {command}")
        return None

    async def slew(self, command: Slew) -> None:
        if self.now.parked:
            raise DeviceError("the mount is parked: unpark it first")
        self.become(slewing=True, tracking=False)
        try:
            await self.context.clock.sleep(20.0)
        except asyncio.CancelledError:
            self.become(slewing=False)
            raise
        ha = self.observer.hour_angle_deg(
            command.ra_deg, command.dec_deg, self.context.clock.unix_s()
        )
        side = command.pier_side or ("east" if ha >= 0 else "west")
        self.become(
            ra_deg=command.ra_deg, dec_deg=command.dec_deg, pier_side=side, slewing=False,
            tracking=True,
        )  # fmt: skip

    async def track(self, on: bool) -> None:
        if not on and self.deaf:
            raise DeviceError("the motor does not answer")
        await self.context.clock.sleep(0.0 if on else 2.0)
        self.become(tracking=on)

    async def park(self) -> None:
        self.parks += 1
        self.become(tracking=False, slewing=True)
        await self.context.clock.sleep(20.0)
        self.become(slewing=False, parked=True, at_rest=True)

    async def make_safe(self, reason: str) -> None:
        del reason
        await self.park()

    async def close(self) -> None:
        self.closed = True


class ToyCamera:
    """A camera of noise; warms within ten minutes."""

    kind = Kind.CAMERA

    def __init__(self, context: DriverContext) -> None:
        self.context = context
        self.now = CameraState(connected=True)
        self.truths: list[Mapping[str, Any]] = []
        self.warmings = 0
        self.shape = (6, 8)
        context.watch("mount", "truth", self.truths.append)
        context.spawn("first light", self.tick())

    async def tick(self) -> None:
        await self.context.clock.sleep(1.0)
        self.context.emit("ready", {"after_s": 1.0})

    def about(self) -> DeviceAbout:
        return DeviceAbout(kind=self.kind, driver="toy")

    def state(self) -> CameraState:
        return self.now

    def become(self, **changes: object) -> None:
        self.now = self.now.model_copy(update=changes)
        self.context.changed()

    async def perform(self, command: Command[Any]) -> Model | None:
        match command:
            case Expose():
                return await self.expose(command)
            case ListWaiting():
                return Waiting(frames=self.context.spool.waiting())
            case Acknowledge(sha256=sha256):
                self.context.spool.drop(sha256)
            case Cool():
                self.become(cooler_on=True, at_rest=False, setpoint_c=command.setpoint_c)
            case Stop():
                pass
            case Connect():
                self.become(connected=True)
            case Disconnect():
                raise ZeroDivisionError("a bug of the driver")
            case _:
                raise RuntimeError(f"unexpected {command}")
        return None

    async def expose(self, command: Expose) -> FrameRef:
        began = self.context.clock.now()
        self.become(phase="exposing", exposure_id=command.exposure_id)
        try:
            await self.context.clock.sleep(command.exposure_s)
        finally:
            self.become(phase="idle", exposure_id=None)
        pixels = self.context.rng.integers(0, 65536, self.shape, dtype=np.uint16)
        return self.context.spool.keep(pixels, frame_ref(command, began, self.shape))

    async def make_safe(self, reason: str) -> None:
        self.warmings += 1
        self.context.spawn("warm", self.warm())

    async def warm(self) -> None:
        await self.context.clock.sleep(600.0)
        self.become(cooler_on=False, at_rest=True)

    async def close(self) -> None:
        pass


def frame_ref(command: Expose, began: datetime, shape: tuple[int, int]) -> FrameRef:
    return FrameRef(
        sha256="0" * 64, where="", width_px=shape[1], height_px=shape[0],
        exposure_id=command.exposure_id, frame=command.frame, began_at=began,
        exposure_s=command.exposure_s, gain=command.gain, offset=command.offset,
        binning=command.binning, sensor_c=None, setpoint_c=None, pixel_um=3.76,
        electrons_per_adu=1.0, saturation_adu=65535,
    )  # fmt: skip


@dataclass
class Rig:
    """Hosts and the daemon's end of the bus."""

    clock: Clock
    topics: Topics
    stack: AsyncExitStack
    bus: Bus
    caller: Caller
    lease: LeaseHolder
    buses: dict[str, Any]
    hosts: dict[str, DeviceHost] = field(default_factory=dict)

    def client(self, kind: Kind, lease: LeaseHolder | None = None) -> DeviceClient[DeviceState]:
        return DeviceClient(
            self.bus, self.topics, self.caller, self.clock, kind.value, kind, 10.0,
            lease or self.lease,
        )  # fmt: skip


TOYS = {Kind.MOUNT: ToyMount, Kind.CAMERA: ToyCamera}


@asynccontextmanager
async def toy_rig(
    *kinds: Kind,
    limits: MountLimits | None = None,
    lease_s: float = 60.0,
    start: datetime = START,
    factories: Mapping[Kind, Any] | None = None,
    broker: MemoryBroker | None = None,
    client_id: str = "daemon",
) -> AsyncIterator[Rig]:
    """Hosts of toy drivers in virtual time; the lease is not held until it is started."""
    clock = VirtualClock(start)
    broker = broker or MemoryBroker()
    topics = Topics("Toy Hill", "Toy Rig")
    async with AsyncExitStack() as stack:
        buses = {}
        hosts = {}
        for kind in kinds:
            buses[kind.value] = MemoryBus(broker, f"host-{kind.value}")
            hosts[kind.value] = await stack.enter_async_context(
                DeviceHost(
                    buses[kind.value],
                    topics,
                    clock,
                    HostedDevice(
                        name=kind.value,
                        driver_name="toy",
                        factory=(factories or TOYS)[kind],
                        options={},
                        spool=MemorySpool(f"toy {kind}"),
                        seed=7,
                    ),
                    HostSetting(
                        place=PLACE,
                        heartbeat_s=10.0,
                        lease_s=lease_s,
                        limits=limits,
                    ),
                )
            )  # fmt: skip
        bus = await stack.enter_async_context(MemoryBus(broker, client_id))
        caller = await stack.enter_async_context(Caller(bus, topics, clock, 1))
        lease = LeaseHolder(bus, topics, clock, client_id, lease_s)
        stack.push_async_callback(lease.stop)
        yield Rig(clock, topics, stack, bus, caller, lease, buses, hosts)


def at_hour_angle(when: datetime, ha_deg: float, dec_deg: float = 0.0) -> float:
    """ICRS right ascension that has this hour angle, precession and all, to a milliarcsecond."""
    observer, utc_s = Observer(PLACE), when.timestamp()
    ra_deg = float(observer.local_sidereal_deg(utc_s)) - ha_deg
    for _ in range(3):
        ra_deg += float(observer.hour_angle_deg(ra_deg, dec_deg, utc_s)) - ha_deg
    return ra_deg % 360
