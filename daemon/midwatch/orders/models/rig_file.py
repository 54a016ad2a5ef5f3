"""The rig file: a telescope, its devices, and how to use them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, Self

from pydantic import Field, JsonValue, model_validator

from midwatch.orders.models import field_rules as rules
from midwatch.orders.models.declared import Declared, Name
from midwatch.orders.models.grading_section import GradingSettings
from midwatch.orders.models.mount_section import MotionLimits, Mount, mount_geometry
from midwatch.orders.models.night_orders import FrameOrder
from midwatch.orders.models.page_section import Page
from midwatch.orders.models.remedies_section import Ladder
from midwatch.sky.mounts import GEOMETRIES, MountGeometry


class Optics(Declared):
    """The main telescope."""

    name: Name = Field(default="telescope", description="What the telescope is called.")
    focal_length_mm: float = Field(
        gt=0,
        le=20_000,
        description="Focal length with any reducer or flattener, millimetres.",
        examples=[420],
    )
    aperture_mm: float = Field(
        gt=0, le=5_000, description="Free aperture, millimetres.", examples=[85]
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.aperture_below_focal_length(self.aperture_mm, self.focal_length_mm)
        return self


class DeviceEntry(Declared):
    """One device of the rig."""

    driver: str = Field(
        min_length=1, description="Name of an installed driver.", examples=["simulated-mount"]
    )
    options: dict[str, JsonValue] = Field(
        default_factory=dict, description="The driver's own settings."
    )


class Devices(Declared):
    """The devices of the rig by their role; mount, camera and focuser are needed."""

    mount: DeviceEntry = Field(
        description="The equatorial mount.", examples=[{"driver": "simulated-mount"}]
    )
    camera: DeviceEntry = Field(
        description="The main camera.", examples=[{"driver": "simulated-camera"}]
    )
    focuser: DeviceEntry = Field(
        description="The focuser of the main telescope.", examples=[{"driver": "simulated-focuser"}]
    )
    guide_camera: DeviceEntry | None = Field(
        default=None, description="The camera that the guider looks through, if it needs one."
    )
    guider: DeviceEntry | None = Field(default=None, description="What guides the mount.")
    filter_wheel: DeviceEntry | None = Field(default=None, description="The filter wheel.")
    weather: DeviceEntry | None = Field(
        default=None, description="The weather and safety sensor; without it none is watched."
    )
    roof: DeviceEntry | None = Field(default=None, description="The roof or dome shutter.")
    flat_panel: DeviceEntry | None = Field(
        default=None, description="The flat panel with its cover."
    )
    switch: DeviceEntry | None = Field(default=None, description="The box of switched outlets.")
    rotator: DeviceEntry | None = Field(
        default=None, description="What turns the camera about the optical axis."
    )

    def present(self) -> dict[str, DeviceEntry]:
        """Return the devices that the rig has, by role, in the order of the fields."""
        entries = {role: getattr(self, role) for role in type(self).model_fields}
        return {role: entry for role, entry in entries.items() if entry is not None}


class CameraSettings(Declared):
    """How to use the camera."""

    pixel_um: float = Field(
        gt=0, le=50, description="Size of an unbinned pixel, micrometres.", examples=[3.76]
    )
    gain: int = Field(default=0, ge=0, description="Gain setting of the camera.")
    offset: int = Field(default=0, ge=0, description="Offset setting of the camera.")
    binning: int = Field(default=1, ge=1, le=8, description="Pixels binned along each side.")
    cool_to_c: float | None = Field(
        default=None,
        ge=-60,
        le=30,
        description="Sensor temperature for the night, degrees Celsius; leave out for no cooling.",
    )
    cool_rate_c_per_min: float = Field(
        default=2.0, gt=0, le=20, description="How fast to cool, degrees Celsius a minute."
    )
    warm_rate_c_per_min: float = Field(
        default=3.0, gt=0, le=20, description="How fast to warm up, degrees Celsius a minute."
    )
    cool_within_c: float = Field(
        default=0.7,
        gt=0,
        le=5,
        description="The sensor counts as cold this near to its set point, degrees Celsius.",
    )
    read_noise_e: float | None = Field(
        default=None,
        ge=0,
        description="Read noise at these settings, electrons; left out, measured on pairs of bias "
        "frames.",
    )
    pedestal_adu: float | None = Field(
        default=None,
        ge=0,
        description="Level of a frame without light, ADU; left out, measured on bias frames.",
    )


class FocusSettings(Declared):
    """How to focus."""

    start_position: int = Field(
        ge=0,
        description="Where to begin when nothing was learned, focuser steps.",
        examples=[10_000],
    )
    step: int = Field(
        gt=0, description="Distance of sampled positions, focuser steps.", examples=[100]
    )
    exposure_s: float = Field(
        default=4.0, gt=0, le=120, description="Exposure of a sample, seconds."
    )
    backlash_steps: int = Field(
        default=0,
        ge=0,
        description="Overshoot in focuser steps, so that every position is approached from the "
        "same side.",
    )
    steps_per_um: float | None = Field(
        default=None,
        gt=0,
        description="Focuser steps for one micrometre of focal shift, where known.",
    )
    temperature_c: float | None = Field(
        default=1.5,
        gt=0,
        description="Refocus when the air has changed by this since the last run, degrees "
        "Celsius; null for never.",
    )
    every_min: float | None = Field(
        default=None, gt=0, description="Refocus after this time, minutes; null for never."
    )
    hfr_percent: float | None = Field(
        default=20,
        gt=0,
        description="Refocus when star sizes have grown by this since the last run, percent; "
        "null for never.",
    )
    defocus_percent: float | None = Field(
        default=25,
        gt=0,
        le=200,
        description="Refocus when the expected defocus by temperature has reached this share of "
        "the critical focus zone, percent of its total depth; null for never.",
    )
    follow_temperature: bool = Field(
        default=True,
        description="Move the focuser after the learned temperature between runs, once what was "
        "learned can be trusted.",
    )
    after_flip: bool = Field(default=False, description="Refocus after a meridian flip.")
    after_filter_change: bool = Field(
        default=True,
        description="Refocus after a change to a filter whose offset is neither declared nor "
        "learned.",
    )
    filter_offsets: dict[str, int] = Field(
        default_factory=dict, description="Focuser steps to add for a filter, by its name."
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.run_above_zero(self.start_position, self.step, self.backlash_steps)
        return self


@dataclass(frozen=True)
class DitherCadence:
    """How often to dither: not before so many frames, nor before so much exposure time."""

    every: int
    apart_s: float

    def due(self, lights: int, exposed_s: float) -> bool:
        """Return whether it is time, so many frames and so much exposure after the last one."""
        return self.every > 0 and lights >= self.every and exposed_s >= self.apart_s - 1e-6

    def frames(self, exposure_s: float) -> int:
        """Return how many frames of one length lie between two dithers; 0 for no dithers."""
        if self.every == 0:
            return 0
        return max(self.every, math.ceil(self.apart_s / exposure_s - 1e-6))


class GuidingSettings(Declared):
    """How to guide, settle and dither."""

    calm_within_arcsec: float = Field(
        default=1.5, gt=0, description="Guiding has settled below this error, arcseconds."
    )
    calm_for_s: float = Field(
        default=10, gt=0, description="How long the error must stay below that, seconds."
    )
    calm_timeout_s: float = Field(
        default=90, gt=0, description="Settling counts as failed after this, seconds."
    )
    dither_px: float = Field(default=5, ge=0, description="Size of a dither, main camera pixels.")
    dither_every: int = Field(
        default=2, ge=0, description="Fewest light frames between dithers; 0 for never."
    )
    dither_apart_s: float = Field(
        default=180,
        ge=0,
        description="Shortest exposure time between dithers, seconds: short frames are not "
        "dithered as often as long ones.",
    )
    guide_rate: float = Field(
        default=0.5,
        gt=0,
        lt=1,
        description="Pace of the mount's guide pulses, as a share of the sidereal rate; without "
        "guiding, dithers are made of them.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.hold_below_timeout(self.calm_for_s, self.calm_timeout_s)
        return self

    def cadence(self, order: FrameOrder) -> DitherCadence:
        """Return how often frames of an order are dithered: as it says itself, else as here."""
        every, apart_s = order.dither_every, order.dither_apart_s
        return DitherCadence(
            self.dither_every if every is None else every,
            self.dither_apart_s if apart_s is None else apart_s,
        )


class CentringSettings(Declared):
    """How to centre a target by plate solving."""

    exposure_s: float = Field(
        default=6, gt=0, le=300, description="Exposure of a frame to solve, seconds."
    )
    within_arcsec: float = Field(
        default=45, gt=0, description="The target counts as centred below this, arcseconds."
    )
    attempts: int = Field(
        default=6, ge=1, le=20, description="Frames to try before the target is given up."
    )
    filter: str | None = Field(
        default=None,
        min_length=1,
        description="Filter to solve through; left out, the one in the beam, and the broadest of "
        "the wheel when stars are few.",
    )
    sync: Literal["each_correction", "never"] = Field(
        default="each_correction",
        description="each_correction syncs the mount to where it points before it is corrected; "
        "never slews next to the target instead, for mounts whose pointing model must not be "
        "touched.",
    )
    correct_within_deg: float = Field(
        default=10,
        gt=0,
        le=180,
        description="A mount further off than this is not corrected but reported, degrees.",
    )
    rotation_within_deg: float = Field(
        default=1.0,
        gt=0,
        le=45,
        description="A camera turned as ordered within this is left alone, degrees.",
    )
    index_folder: str | None = Field(
        default=None,
        min_length=1,
        description="Folder of star index files, for narrow fields and for blind solving.",
    )


class Bus(Declared):
    """Where devices and daemon meet on a real night; the default starts a private broker."""

    host: str | None = Field(
        default=None, description="Host of the broker; leave out to start a private one."
    )
    port: int = Field(default=1883, ge=1, le=65535, description="Port of the broker.")
    username: str | None = Field(default=None, description="Account at the broker.")
    password_file: str | None = Field(
        default=None, description="File that holds the password, and nothing else."
    )
    ca_file: str | None = Field(
        default=None, description="Certificate authority of the broker; its presence means TLS."
    )
    lease_s: float = Field(
        default=60,
        ge=5,
        le=600,
        description="Devices make themselves safe after this silence, seconds.",
    )
    heartbeat_s: float = Field(
        default=10, ge=1, le=120, description="Every device reports at least this often, seconds."
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.lease_outlives_heartbeat(self.lease_s, self.heartbeat_s)
        return self


class Rig(Declared):
    """One telescope with everything that hangs on it."""

    name: Name = Field(description="What the rig is called.", examples=["Harrier"])
    optics: Optics = Field(
        description="The main telescope.", examples=[{"focal_length_mm": 420, "aperture_mm": 85}]
    )
    devices: Devices = Field(
        description="The devices of the rig by their role.",
        examples=[
            {
                "mount": {"driver": "simulated-mount"},
                "camera": {"driver": "simulated-camera"},
                "focuser": {"driver": "simulated-focuser"},
            }
        ],
    )
    camera: CameraSettings = Field(
        description="How to use the camera.", examples=[{"pixel_um": 3.76}]
    )
    focus: FocusSettings = Field(
        description="How to focus.", examples=[{"start_position": 10_000, "step": 100}]
    )
    guiding: GuidingSettings = Field(
        default=GuidingSettings(), description="How to guide, settle and dither."
    )
    centring: CentringSettings = Field(
        default=CentringSettings(), description="How to centre a target by plate solving."
    )
    grading: GradingSettings = Field(
        default=GradingSettings(), description="What a light frame must keep to."
    )
    mount: Mount = Field(default=Mount(), description="How the mount is built.")
    limits: MotionLimits = Field(
        default=MotionLimits(), description="Where the mount may not be, whatever the reason."
    )
    bus: Bus = Field(default=Bus(), description="Where devices and daemon meet on a real night.")
    page: Page | None = Field(
        default=None, description="The operator's page of a running night; left out, there is none."
    )
    remedies: tuple[Ladder, ...] = Field(
        default=(),
        description="What is done against faults, in place of what is shipped; the first ladder "
        "that fits counts.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.fits_geometry(self.mount.geometry, self._set_of_mount(), GEOMETRIES)
        if self.focus.after_flip and self.geometry.flips_to is None:
            rules.never_flips(self.geometry.words)
        return self

    def _set_of_mount(self) -> dict[str, str]:
        """Return the fields of mount and limits that the user has written, with their section."""
        sections: dict[str, Declared] = {"limits": self.limits, "mount": self.mount}
        return {
            field: name
            for name, section in sections.items()
            for field in sorted(section.model_fields_set)
        }

    @cached_property
    def geometry(self) -> MountGeometry:
        """How the mount is built, with the limits of its axes."""
        return mount_geometry(self.mount, self.limits)
