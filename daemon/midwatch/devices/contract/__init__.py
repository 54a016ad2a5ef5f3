"""What a device and its driver are: kinds, states, commands, frames, installed drivers."""

from midwatch.devices.contract.base import (
    ROLES,
    Command,
    Connect,
    DeviceAbout,
    DeviceState,
    Disconnect,
    FrameKind,
    Kind,
    MakeSafe,
    Model,
    PierSide,
    Stop,
    kind_of,
)
from midwatch.devices.contract.bus_account import HostBook, HostReport
from midwatch.devices.contract.driver import (
    DeviceError,
    Driver,
    DriverContext,
    DriverFactory,
    Facts,
    Peer,
    Spool,
)
from midwatch.devices.contract.installed_drivers import DriverLoadError, driver_factory, drivers
from midwatch.devices.contract.kept_facts import FileKeptFacts, KeptFacts, MemoryKeptFacts
from midwatch.devices.contract.mount_directions import right_ascensions_deg
from midwatch.devices.contract.states_and_commands import STATES, commands_of

__all__ = [
    "ROLES", "STATES", "Command", "Connect", "DeviceAbout", "DeviceError", "DeviceState",
    "Disconnect", "Driver", "DriverContext", "DriverFactory", "DriverLoadError", "Facts",
    "FileKeptFacts", "FrameKind", "HostBook", "HostReport", "KeptFacts", "Kind", "MakeSafe",
    "MemoryKeptFacts", "Model", "Peer", "PierSide", "Spool", "Stop", "commands_of",
    "driver_factory", "drivers", "kind_of", "right_ascensions_deg",
]  # fmt: skip
