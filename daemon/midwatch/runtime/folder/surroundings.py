"""What a night's folder keeps of site and rig, so that its report can be written again later.

The journal says what happened; where, and within which limits, is in ``surroundings.json``
next to the frames. The files that the user wrote may have changed since.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from midwatch.devices.host import mount_limits
from midwatch.durable import write_whole
from midwatch.errors import InputError
from midwatch.journal.promises import NightContext
from midwatch.orders.models import MotionLimits, Mount, mount_geometry
from midwatch.orders.reading import Night
from midwatch.sky import Horizon, Observer, Place

FILE_NAME = "surroundings.json"
# How long a busy machine may keep a process waiting, and clocks differ. Common practice, no source.
LATE_S = 2.0


class Surroundings(BaseModel):
    """Site and limits of a night, as they were when it began."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    site: str
    rig: str
    timezone: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    horizon: tuple[tuple[float, float], ...]
    limits: MotionLimits
    mount: Mount = Mount()
    close_within_s: float
    late_s: float = LATE_S
    read_noise_e: float | None = None
    pedestal_adu: float | None = None

    @classmethod
    def of(cls, night: Night, speed: float = 1.0) -> Surroundings:
        """Take them from the orders; the clock runs so many times as fast as the machine's."""
        return cls(
            site=night.site.name,
            rig=night.rig.name,
            timezone=night.site.timezone,
            latitude_deg=night.place.latitude_deg,
            longitude_deg=night.place.longitude_deg,
            elevation_m=night.place.elevation_m,
            horizon=night.horizon.points,
            limits=night.rig.limits,
            mount=night.rig.mount,
            close_within_s=night.site.safety.close_within_s,
            late_s=LATE_S * speed,
            read_noise_e=night.rig.camera.read_noise_e,
            pedestal_adu=night.rig.camera.pedestal_adu,
        )

    @classmethod
    def read(cls, folder: Path) -> Surroundings:
        """Read what a night's folder keeps.

        Raises:
            FileNotFoundError: it keeps none.
            InputError: the file cannot be understood.
        """
        path = folder / FILE_NAME
        try:
            return cls.model_validate_json(path.read_bytes())
        except ValidationError as error:
            raise InputError(
                f"{path}: not what Midwatch wrote ({error.error_count()} errors); give --orders"
            ) from None

    def write(self, folder: Path) -> None:
        """Keep them in a night's folder, which is made if it is missing."""
        folder.mkdir(parents=True, exist_ok=True)
        # Files of German mounts are as they were before there were others.
        usual = {"mount"} if self.mount == Mount() else set()
        text = self.model_dump_json(indent=1, exclude=usual)
        write_whole(folder / FILE_NAME, text + "\n", durable=True)

    def context(self) -> NightContext:
        """Return them as a report needs them."""
        horizon = Horizon(self.horizon)
        place = Place(self.latitude_deg, self.longitude_deg, self.elevation_m)
        return NightContext(
            observer=Observer(place),
            horizon=horizon,
            limits=mount_limits(self.limits, mount_geometry(self.mount, self.limits), horizon),
            timezone=self.timezone,
            close_within_s=self.close_within_s,
            late_s=self.late_s,
            read_noise_e=self.read_noise_e,
            pedestal_adu=self.pedestal_adu,
        )
