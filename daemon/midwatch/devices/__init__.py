"""Devices: the contract of drivers, their hosts, and the daemon's view of them."""

from __future__ import annotations

from midwatch.devices.chance import device_rng
from midwatch.devices.client import SILENT_HEARTBEATS, DeviceClient
from midwatch.devices.driver import (
    DeviceError,
    Driver,
    DriverContext,
    DriverFactory,
    Peer,
    Spool,
)
from midwatch.devices.guard import mount_limits
from midwatch.devices.host import DeviceHost, DriverStartError
from midwatch.devices.lease import LeaseHolder, LeaseWatch
from midwatch.devices.process import RigSetting, device_host, serve_device
from midwatch.devices.registry import DriverLoadError, driver_factory, drivers
from midwatch.devices.rig import RigClient
from midwatch.devices.spool import FolderSpool, FrameCorruptError, MemorySpool, fetch

__all__ = [
    "SILENT_HEARTBEATS",
    "DeviceClient",
    "DeviceError",
    "DeviceHost",
    "Driver",
    "DriverContext",
    "DriverFactory",
    "DriverLoadError",
    "DriverStartError",
    "FolderSpool",
    "FrameCorruptError",
    "LeaseHolder",
    "LeaseWatch",
    "MemorySpool",
    "Peer",
    "RigClient",
    "RigSetting",
    "Spool",
    "device_host",
    "device_rng",
    "driver_factory",
    "drivers",
    "fetch",
    "mount_limits",
    "serve_device",
]
