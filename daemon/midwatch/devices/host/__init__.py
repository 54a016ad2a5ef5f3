"""The driver host: puts a driver on the bus and keeps its device safe without the daemon.

Nothing that arrives is trusted: length is looked at before content, queues are bounded in
messages and bytes, and whatever leads to nothing is counted by its reason. Each host keeps an
account of that, of the leases it obeyed and of the silences it sat out, and publishes it in its
``about``. The daemon journals the accounts at the end of the night (`HostAccount`), and when it
is received again after a time in which its lease could not arrive (`LeaseUnheard`); promises 2
and 10 are judged by them.

When no one holds a lease, the mount's host parks it and the roof's host closes the roof, each by
itself. A roof does not close while its switch does not show a parked mount, however long it
rains: that is for the wire to decide. Only where the driver says among its ``limits`` that the
roof ``clears_telescope`` does it close over a mount that will not park, after some time.

``limit_guard`` refuses motions that would end outside the limits and stops a mount before it is
there. Where a slew ends is judged before it begins, for the side of the pier that it was sent to;
while it lasts ``slew_watch`` watches the polar axis and stops a mount that goes to the other
side, if the goal is past a limit there.
"""

from midwatch.devices.host.declared_limits import mount_limits
from midwatch.devices.host.driver_host import DeviceHost, HostedDevice, HostSetting
from midwatch.devices.host.process import RigSetting, device_host, serve_device
from midwatch.devices.host.requests import command_model, read_command
from midwatch.devices.host.restart_rule import RestartRule, Supervision
from midwatch.devices.host.side_tasks import TASK_FAILED

__all__ = [
    "TASK_FAILED", "DeviceHost", "HostSetting", "HostedDevice", "RestartRule", "RigSetting",
    "Supervision", "command_model", "device_host", "mount_limits", "read_command", "serve_device",
]  # fmt: skip
