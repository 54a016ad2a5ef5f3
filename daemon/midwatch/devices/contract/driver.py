"""What a driver is, and what its host gives it.

A driver talks to one device. It is found by the entry-point group ``midwatch.drivers``: a callable
that takes a `DriverContext` and returns a `Driver`. The host does everything else: the bus, the
lease, limits, deadlines, repeats, the spool.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import JsonValue

from midwatch.clock import Clock
from midwatch.devices.contract.base import Command, DeviceAbout, DeviceState, Kind, Model
from midwatch.devices.contract.kept_facts import KeptFacts, MemoryKeptFacts
from midwatch.devices.contract.kinds import FrameRef
from midwatch.sky import Horizon, Place
from midwatch.sky.mounts import STRICT_GERMAN, MountGeometry

Facts = Mapping[str, JsonValue]
R = TypeVar("R")


class Spool(Protocol):
    """Where a camera driver keeps exposures until the daemon has filed them."""

    def keep(self, pixels: NDArray[np.uint16], ref: FrameRef) -> FrameRef:
        """Store pixels (rows, columns) durably and return the reference, ``where`` filled in.

        ``ref.sha256`` and ``ref.where`` of the argument are ignored and replaced.
        """

    def waiting(self) -> tuple[FrameRef, ...]:
        """Return what has not been dropped, oldest first."""

    def drop(self, sha256: str) -> None:
        """Forget a frame; an unknown one is no error."""


class Peer(Protocol):
    """Another device of the rig, as a driver sees it over the bus."""

    @property
    def about(self) -> DeviceAbout | None:
        """What the device said of itself; None before."""

    @property
    def state(self) -> DeviceState | None:
        """The latest whole state; None before the first."""

    @property
    def down(self) -> bool:
        """Whether the device must not be relied on: offline or silent."""

    async def do(self, command: Command[R], timeout_s: float) -> R:
        """Give a command and return its answer when the device has finished it.

        It is given under the lease that this driver's host receives, and refused without one.

        Raises:
            CommandError: the device, or its host, refused or failed; the kind says which.
            CallTimeoutError: there was no answer within `timeout_s`.
        """


def _no_peer(role: str) -> Peer:
    raise DeviceError(f"there is no bus on which to find the {role}")


@dataclass(frozen=True)
class DriverContext:
    """What a driver may use.

    Attributes:
        name: of the device on the bus.
        options: the driver's own settings from the rig file.
        rng: seeded by the night's seed and the device's name.
        emit: publish facts under ``<name>/event/<event>``.
        watch: be called with the facts of another device's event, ``watch(device, event, call)``.
        changed: report to the host that the state has changed.
        spawn: run a coroutine as an owned, named task until the driver is closed.
        peer: find another device of the rig by its role; it exists before its first message.
        kept_facts: what is found again when the driver is started again.
        geometry: how the rig's mount is built.
        horizon: of the site, as its file says.
    """

    name: str
    clock: Clock
    options: Mapping[str, JsonValue]
    place: Place
    rng: np.random.Generator
    spool: Spool
    emit: Callable[[str, Facts], None]
    watch: Callable[[str, str, Callable[[Facts], None]], None]
    changed: Callable[[], None]
    spawn: Callable[[str, Coroutine[Any, Any, None]], None]
    peer: Callable[[str], Peer] = _no_peer
    kept_facts: KeptFacts = field(default_factory=MemoryKeptFacts)
    geometry: MountGeometry = STRICT_GERMAN
    horizon: Horizon = field(default_factory=lambda: Horizon.flat(0.0))


class Driver(Protocol):
    """One device, whatever its make."""

    kind: Kind

    def about(self) -> DeviceAbout:
        """Say what the device can do."""

    def state(self) -> DeviceState:
        """Return the whole state now; quick, never raises."""

    async def perform(self, command: Command[Any]) -> Model | None:
        """Do one command and return its answer when it is finished.

        Cancellation means: stop where that is safe. Raises `DeviceError`.
        """

    async def make_safe(self, reason: str) -> None:
        """Bring the device to rest by itself; called by the host when the lease has run out."""

    async def close(self) -> None:
        """Release the hardware; the process ends."""


@dataclass(eq=False)
class DeviceError(Exception):
    """A device could not do what was asked.

    Attributes:
        message: what happened, with values and units, and what to try.
        retryable: whether the same command may work in a moment.
    """

    message: str
    retryable: bool = False
    facts: Facts = field(default_factory=dict)

    def __str__(self) -> str:
        return self.message


DriverFactory = Callable[[DriverContext], Driver]
