"""Facts about what others did to a night: orders, what devices received on the bus, the clock."""

from __future__ import annotations

from typing import NamedTuple

from pydantic import Field

from midwatch.journal.facts.fact import Fact

__all__ = ["ClockAdopted", "FrameSlot", "HostAccount", "LeaseUnheard", "OrdersChanged", "Silence"]


class FrameSlot(NamedTuple):
    """One frame order as the camera will be set for it."""

    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    wanted: int


class OrdersChanged(Fact):
    """New night orders were given and hold from now on, after a restart too.

    Attributes:
        who, why: as they gave it.
        orders_sha256: of the new orders.
        began_with_sha256: of the orders with which the daemon was started. Should it be started
            again with other ones, those hold.
        added, removed, changed: names of targets.
        main: which of the files holds the orders.
        slots: the frame orders of each target, in order: what was taken before is counted again by
            them.
        files: text of every file that was given, by its path.
    """

    kind = "orders_changed"
    who: str
    why: str | None
    orders_sha256: str
    began_with_sha256: str
    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]
    main: str
    slots: dict[str, tuple[FrameSlot, ...]] = Field(default_factory=dict)
    files: dict[str, str] = Field(default_factory=dict)


class Silence(NamedTuple):
    """A time in which a device received no lease; POSIX seconds UTC by the device's own clock.

    Attributes:
        heard_utc_s: when a lease was last received.
        noticed_utc_s: when its host took the lease for ended, and began to make the device safe.
        at_rest_utc_s: when the device was at rest; None if it was not by the end of the silence.
        over_utc_s: when a lease was received again; None while it lasts.
    """

    heard_utc_s: float
    noticed_utc_s: float
    at_rest_utc_s: float | None = None
    over_utc_s: float | None = None


class ClockAdopted(Fact):
    """The clock of the machine was believed against the daemon's own count, which was wrong.

    Attributes:
        jump_s: by so much times are later from here on.
    """

    kind = "clock_adopted"
    jump_s: float


class LeaseUnheard(Fact):
    """The daemon ran, and its lease reached no device for longer than that lasts.

    Attributes:
        from_utc_s: when the lease was last announced.
        until_utc_s: when it was announced again; the end of the night where it was not.
    """

    kind = "lease_unheard"
    from_utc_s: float
    until_utc_s: float


class HostAccount(Fact):
    """What the host of a device says of what it received on the bus.

    Recorded at the end of a night, and after each time in which no lease was received.

    Attributes:
        since_utc_s: from when on it has records.
        lease_s: silence after which it makes its device safe.
        counts: messages by what became of them; those that were done are not among them.
        holders: under whose lease commands were done, and since when.
        senders: who gave commands that were done.
        silences: the latest, oldest first.
        told: False where the host never gave an account, and this only says so.
    """

    kind = "host_account"
    device: str
    since_utc_s: float
    lease_s: float
    counts: dict[str, int]
    holders: tuple[tuple[str, float], ...]
    senders: tuple[str, ...]
    silences: tuple[Silence, ...]
    told: bool = True
