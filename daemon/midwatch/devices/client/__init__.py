"""The daemon's side of devices: one device, a whole rig, the lease, frames in the spool."""

from midwatch.devices.client.device_client import SILENT_HEARTBEATS, DeviceClient
from midwatch.devices.client.lease import LeaseHolder, LeaseWatch
from midwatch.devices.client.listening import listen_to
from midwatch.devices.client.rig_client import RigClient
from midwatch.devices.client.spool import FolderSpool, FrameCorruptError, MemorySpool, Pixels, fetch

__all__ = [
    "SILENT_HEARTBEATS", "DeviceClient", "FolderSpool", "FrameCorruptError", "LeaseHolder",
    "LeaseWatch", "MemorySpool", "Pixels", "RigClient", "fetch", "listen_to",
]  # fmt: skip
