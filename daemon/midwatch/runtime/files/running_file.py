"""What a running night leaves in its data folder so that others find its bus: ``running.json``."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, ValidationError

from midwatch.bus import BrokerSettings, TlsSettings, Topics
from midwatch.clock import Clock, ScaledClock, WallClock
from midwatch.durable import write_whole
from midwatch.errors import InputError, UnreachableError
from midwatch.orders.models import Bus as BusSection
from midwatch.orders.reading import Night

FILE_NAME = "running.json"


class Running(BaseModel):
    """Where a running night can be reached. No secret is in it: a password stays in its file."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    pid: int
    site: str
    rig: str
    timezone: str = "UTC"
    broker: BrokerSettings
    devices: tuple[str, ...]
    heartbeat_s: float
    start: datetime | None = None
    speed: float = 1.0
    anchor_unix_s: float | None = None
    again: str = ""

    @classmethod
    def of(
        cls, night: Night, broker: BrokerSettings, clock: ScaledClock | None, again: str = ""
    ) -> Self:
        """Return where this process can be reached.

        Args:
            night: that runs.
            broker: of its bus.
            clock: None in real time.
            again: the command that takes the night up again, should the process die.
        """
        return cls(
            pid=os.getpid(),
            site=night.site.name,
            rig=night.rig.name,
            timezone=night.site.timezone,
            broker=broker,
            devices=tuple(night.rig.devices.present()),
            heartbeat_s=night.rig.bus.heartbeat_s,
            start=None if clock is None else clock.start,
            speed=1.0 if clock is None else clock.speed,
            anchor_unix_s=None if clock is None else clock.anchor_unix_s,
            again=again,
        )

    def clock(self) -> Clock:
        """Return a clock that agrees with that of the night, scaled if that is."""
        if self.start is None:
            return WallClock()
        return ScaledClock(self.start, self.speed, self.anchor_unix_s)

    @property
    def topics(self) -> Topics:
        """The topics of the rig."""
        return Topics(self.site, self.rig)


def broker_of(section: BusSection, rig_file: Path) -> BrokerSettings:
    """Return how to reach the broker that a rig file names; embedded if it names none.

    Args:
        section: of the rig file.
        rig_file: paths in it are relative to it.
    """
    if section.host is None:
        return BrokerSettings(embedded=True)
    folder = rig_file.parent
    return BrokerSettings(
        host=section.host,
        port=section.port,
        username=section.username,
        password_file=None if section.password_file is None else folder / section.password_file,
        tls=None if section.ca_file is None else TlsSettings(ca_file=folder / section.ca_file),
    )


@contextmanager
def announced(data_folder: Path, running: Running) -> Iterator[None]:
    """Keep `running` in the data folder while the block runs.

    Raises:
        InputError: another process already runs a night in this folder.
    """
    path = data_folder / FILE_NAME
    other = _read(path)
    if other is not None and other.pid != os.getpid() and _alive(other.pid):
        raise InputError(
            f"{data_folder}: process {other.pid} already runs a night here; close it "
            f"(midwatch close --out {data_folder}) or give another --out folder"
        )
    data_folder.mkdir(parents=True, exist_ok=True)
    write_whole(path, running.model_dump_json(indent=1) + "\n", durable=False)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


class InUse(BaseModel):
    """Which process runs a night with the devices of a rig file, and where it keeps it."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    pid: int
    data_folder: str


@contextmanager
def using_rig(rig_file: Path, data_folder: Path) -> Iterator[None]:
    """Have it known on this machine that the devices of a rig file are in use."""
    path = _mark_of(rig_file)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    used = InUse(pid=os.getpid(), data_folder=str(data_folder.absolute()))
    write_whole(path, used.model_dump_json() + "\n", durable=False)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def rig_in_use(rig_file: Path) -> InUse | None:
    """Return who uses the devices of a rig file on this machine; None where nobody else does."""
    try:
        used = InUse.model_validate_json(_mark_of(rig_file).read_bytes())
    except (OSError, ValidationError):
        return None
    return used if used.pid != os.getpid() and _alive(used.pid) else None


def _mark_of(rig_file: Path) -> Path:
    """Return the file that marks a rig as in use: of this user, gone with the machine's start."""
    place = os.environ.get("XDG_RUNTIME_DIR") or f"{tempfile.gettempdir()}/midwatch-{os.getuid()}"
    name = hashlib.sha256(str(rig_file.resolve()).encode()).hexdigest()[:24]
    return Path(place) / "midwatch" / f"rig-{name}.json"


def find_running(data_folder: Path, orders: Path | None) -> Running:
    """Return where the night of a data folder, or of orders with a broker, can be reached.

    Raises:
        UnreachableError: nothing runs there.
        InputError: the orders name no broker.
    """
    if orders is not None:
        from midwatch.runtime.files.load_night import load_orders

        night = load_orders(orders)
        broker = broker_of(night.rig.bus, night.paths["rig"])
        if not broker.embedded:
            return Running(
                pid=0,
                site=night.site.name,
                rig=night.rig.name,
                timezone=night.site.timezone,
                broker=broker,
                devices=tuple(night.rig.devices.present()),
                heartbeat_s=night.rig.bus.heartbeat_s,
            )
    running = _read(data_folder / FILE_NAME)
    if running is not None and not _alive(running.pid):
        raise UnreachableError(_died(data_folder, running))
    if running is None:
        raise UnreachableError(
            f"no night is running in {data_folder}: start one with midwatch run, or name the data "
            "folder of the one that runs with --out"
        )
    return running


def _died(data_folder: Path, running: Running) -> str:
    """Say what became of a night whose process is gone, and what to type."""
    last = ""
    with contextlib.suppress(OSError):
        written_s = (data_folder / "journal.sqlite").stat().st_mtime
        wal = data_folder / "journal.sqlite-wal"
        written_s = max(written_s, wal.stat().st_mtime) if wal.is_file() else written_s
        at = datetime.fromtimestamp(written_s, ZoneInfo(running.timezone))
        scaled = "" if running.start is None else ", by the real clock"
        last = f"; its journal was last written at {at:%H:%M:%S on %Y-%m-%d}{scaled}"
    again = running.again or f"midwatch run ORDERS --out {data_folder}"
    return (
        f"the night of {running.rig} at {running.site} in {data_folder} has ended without closing: "
        f"process {running.pid} was killed, or the machine went down{last}. Devices that still run "
        "make themselves safe when they hear of nobody: look at roof and mount. To take the night "
        f"up where its journal ends, or to close it, start it again:\n  {again}"
    )


def _read(path: Path) -> Running | None:
    try:
        return Running.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except ValidationError:
        raise InputError(f"{path}: not what Midwatch wrote; remove it") from None


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
