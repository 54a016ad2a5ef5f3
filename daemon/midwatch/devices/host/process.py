"""Hosts one device of a rig: in a process of its own, or together with others in a rehearsal."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path

import structlog

from midwatch.bus import BrokerSettings, Bus, Topics, slug
from midwatch.clock import Clock
from midwatch.devices.client import FolderSpool
from midwatch.devices.contract import FileKeptFacts, KeptFacts, Kind, Spool, driver_factory
from midwatch.devices.host.declared_limits import mount_limits
from midwatch.devices.host.driver_host import DeviceHost, HostedDevice, HostSetting
from midwatch.errors import InputError
from midwatch.orders.models import Rig
from midwatch.sky import Horizon, Place
from midwatch.tasks import start

_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class RigSetting:
    """A rig at its place: all that the hosts of its devices have in common."""

    rig: Rig
    site_name: str
    place: Place
    horizon: Horizon

    @property
    def topics(self) -> Topics:
        """The topics of the rig."""
        return Topics(self.site_name, self.rig.name)


def device_host(
    name: str,
    setting: RigSetting,
    *,
    bus: Bus,
    clock: Clock,
    seed: int,
    spool: Spool,
    kept_facts: KeptFacts | None = None,
) -> DeviceHost:
    """Return the host of one device of a rig, with the driver that the rig names.

    Raises:
        InputError: the rig has no such device, or its driver cannot be loaded.
    """
    devices = setting.rig.devices.present()
    entry = devices.get(name)
    if entry is None:
        raise InputError(
            f"rig {setting.rig.name!r} has no device {name!r}; it has {', '.join(devices)}"
        )
    limits = mount_limits(setting.rig.limits, setting.rig.geometry, setting.horizon)
    return DeviceHost(
        bus,
        setting.topics,
        clock,
        HostedDevice(
            name=name,
            driver_name=entry.driver,
            factory=driver_factory(entry.driver),
            options=entry.options,
            spool=spool,
            seed=seed,
            kept_facts=kept_facts,
        ),
        HostSetting(
            place=setting.place,
            heartbeat_s=setting.rig.bus.heartbeat_s,
            lease_s=setting.rig.bus.lease_s,
            limits=limits if name == Kind.MOUNT else None,
            geometry=setting.rig.geometry,
            horizon=setting.horizon,
        ),
    )


async def serve_device(
    name: str,
    setting: RigSetting,
    *,
    broker: BrokerSettings,
    clock: Clock,
    seed: int,
    spool_folder: Path,
    stop: asyncio.Event,
) -> None:
    """Host one device over MQTT until `stop` is set; a broker that is away is waited for.

    It ends when its device is at rest, since the caller may have left the device under way.
    Cancelled, it ends at once.

    Args:
        name: role of the device in the rig.
        setting: the rig at its place.
        broker: how to reach the broker.
        clock: gives the time.
        seed: of everything random.
        spool_folder: where exposures wait; the device gets its own folder in it.
        stop: ends the host when it is set, once the device is at rest.

    Raises:
        InputError: device, driver, options or broker settings are wrong.
    """
    # A rehearsal hosts devices as well, and needs no network.
    from midwatch.bus.mqtt import MqttBus

    client_id = f"{slug(setting.site_name)}-{slug(setting.rig.name)}-{name}"
    bus = MqttBus(broker, client_id, clock, seed=seed)
    spool = FolderSpool(spool_folder / name)
    kept_facts = FileKeptFacts(spool_folder / "keepsakes" / f"{name}.keepsake")
    host = device_host(
        name, setting, bus=bus, clock=clock, seed=seed, spool=spool, kept_facts=kept_facts
    )
    async with host:
        _log.info("device_hosted", device=name, driver=setting.rig.devices.present()[name].driver)
        stopped = start(f"stop of {name}", _rested(host, stop))
        try:
            await host.wait(stopped)
        finally:
            stopped.cancel()
        if stopped.done():
            stopped.result()


async def _rested(host: DeviceHost, stop: asyncio.Event) -> None:
    await stop.wait()
    await host.rest()
