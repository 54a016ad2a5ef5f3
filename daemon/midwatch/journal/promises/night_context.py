"""What a report knows of the site and the rig besides the journal."""

from __future__ import annotations

from dataclasses import dataclass

from midwatch.sky import Horizon, MountLimits, Observer

__all__ = ["NightContext"]


@dataclass(frozen=True)
class NightContext:
    """The surroundings of a night.

    Attributes:
        observer: The site.
        horizon: The true horizon, as shown.
        limits: What the mount may do, margins included, as judged.
        timezone: IANA name; times are shown in it.
        close_within_s: Time in which the rig must be parked once it is unsafe.
        late_s: How long a busy machine may keep a process waiting, and clocks differ, in seconds of
            the night.
        read_noise_e: Of the camera, as the rig file says; None where it does not.
        pedestal_adu: Level of a frame without light, likewise.
    """

    observer: Observer
    horizon: Horizon
    limits: MountLimits
    timezone: str
    close_within_s: float = 240.0
    late_s: float = 2.0
    read_noise_e: float | None = None
    pedestal_adu: float | None = None
