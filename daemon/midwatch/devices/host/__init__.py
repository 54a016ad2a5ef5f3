"""The driver host: puts a driver on the bus and keeps its device safe without the daemon."""

from midwatch.devices.host.driver_host import DeviceHost
from midwatch.devices.host.limit_guard import mount_limits
from midwatch.devices.host.process import RigSetting, device_host, serve_device
from midwatch.devices.host.requests import command_model, read_command
from midwatch.devices.host.restart_rule import RestartRule, Supervision
from midwatch.devices.host.side_tasks import TASK_FAILED

__all__ = [
    "TASK_FAILED", "DeviceHost", "RestartRule", "RigSetting", "Supervision", "command_model",
    "device_host", "mount_limits", "read_command", "serve_device",
]  # fmt: skip
