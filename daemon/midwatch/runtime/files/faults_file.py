"""Faults of a night that is run: shown by simulated devices, each in a process of its own."""

from __future__ import annotations

import math
from argparse import Namespace
from datetime import date
from pathlib import Path

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from midwatch.durable import write_whole
from midwatch.errors import InputError
from midwatch.orders.injected import FAULT_KINDS, ScheduledFault, shown_by
from midwatch.orders.reading import Night
from midwatch.runtime.files.load_night import faults_of

__all__ = ["FAULTS_FILE", "read_faults", "run_faults", "write_faults"]

FAULTS_FILE = "faults.json"
_SIMULATED = "simulated-"


class _Written(BaseModel):
    """One fault in the file that device processes read; without an end it lasts for good."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    fault: str
    from_utc_s: float
    until_utc_s: float | None


_FILE = TypeAdapter(tuple[_Written, ...])


def run_faults(night: Night, evening: date, args: Namespace) -> tuple[ScheduledFault, ...]:
    """Return the faults that a run is asked for.

    Raises:
        OrdersError: the scenario file is wrong.
        InputError: a fault is not one that the devices of this run can show.
    """
    faults = faults_of(night, evening, args)
    if faults and args.no_devices:
        raise InputError("--no-devices: who hosts the devices starts them with their faults")
    devices = night.rig.devices.present()
    drivers = {role: entry.driver for role, entry in devices.items()}
    for fault in faults:
        kind = FAULT_KINDS[fault.name]
        if kind.where != "device" or kind.role is None:
            raise InputError(
                f"{fault.name} is no fault of a simulated device: rehearse it "
                "(midwatch rehearse takes the same words)"
            )
        role = shown_by(kind, drivers)
        if role is None:
            raise InputError(f"{fault.name}: no device of the rig {night.rig.name} can show it")
        if not devices[role].driver.startswith(_SIMULATED):
            raise InputError(
                f"{fault.name}: the {role} of the rig {night.rig.name} is driven by "
                f"{devices[role].driver}, which shows no faults on request: rehearse it"
            )
    return faults


def write_faults(path: Path, faults: tuple[ScheduledFault, ...]) -> None:
    """Write faults for the device processes.

    Raises:
        OSError: the disk is full, and so on.
    """
    written = tuple(
        _Written(
            fault=fault.name,
            from_utc_s=fault.from_utc_s,
            until_utc_s=None if math.isinf(fault.until_utc_s) else fault.until_utc_s,
        )
        for fault in faults
    )
    write_whole(path, _FILE.dump_json(written, indent=1).decode() + "\n", durable=False)


def read_faults(path: Path) -> tuple[ScheduledFault, ...]:
    """Read what `write_faults` wrote.

    Raises:
        InputError: it cannot be read, or is something else.
    """
    try:
        written = _FILE.validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        raise InputError(f"{path}: not the faults of a run: {error}") from None
    unknown = [fault.fault for fault in written if fault.fault not in FAULT_KINDS]
    if unknown:
        raise InputError(f"{path}: no fault is called {', '.join(unknown)}")
    return tuple(
        ScheduledFault(
            fault.from_utc_s,
            math.inf if fault.until_utc_s is None else fault.until_utc_s,
            fault.fault,
        )
        for fault in written
    )
