"""State and command models of every kind of device: the contract that drivers keep.

A state is the whole truth that a device tells about itself. A command is a frozen model whose
class says what answers it; ``await device.do(Slew(...))`` is therefore typed end to end. The same
models produce the published description of the bus.

Conventions: coordinates are ICRS (J2000) in degrees, azimuth from true north through east, pier
side is where the telescope is ("west" of the pier looks east, before the meridian; "east" of the
pier looks west, after the flip). Positions of focusers are steps.
"""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar, Generic, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

R = TypeVar("R")

PierSide = Literal["east", "west", "unknown"]
FrameKind = Literal["light", "dark", "flat", "bias", "focus", "solve"]


class Model(BaseModel):
    """Frozen, closed base of everything that travels."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class Kind(StrEnum):
    """The kinds of device that a rig can have."""

    MOUNT = "mount"
    CAMERA = "camera"
    FOCUSER = "focuser"
    GUIDER = "guider"
    FILTER_WHEEL = "filter_wheel"
    WEATHER = "weather"
    ROOF = "roof"
    FLAT_PANEL = "flat_panel"
    SWITCH = "switch"


class Command(Model, Generic[R]):
    """One request to a device. Its fields are the arguments; ``R`` is what answers it.

    Class attributes:
        command: name on the bus.
        kind: kind of device that takes it; None for every kind.
        answer: model of the answer, or None.
        exclusive: refused as busy while another exclusive command runs.
        interrupts: ends a running exclusive command first.
        needs_lease: only the holder of the lease may give it.
    """

    command: ClassVar[str]
    kind: ClassVar[Kind | None] = None
    answer: ClassVar[type[Model] | None] = None
    exclusive: ClassVar[bool] = True
    interrupts: ClassVar[bool] = False
    needs_lease: ClassVar[bool] = True


class DeviceState(Model):
    """What every device tells.

    Attributes:
        connected: the driver talks to its hardware.
        at_rest: the device is in its safe state (parked; closed; warm; idle).
        fault: what the device itself says is wrong, in words; None when well.
    """

    connected: bool = False
    at_rest: bool = True
    fault: str | None = None


# Commands that every kind takes ------------------------------------------------------------


class Connect(Command[None]):
    """Open the link to the hardware."""

    command = "connect"


class Disconnect(Command[None]):
    """Close the link to the hardware."""

    command = "disconnect"


class MakeSafe(Command[None]):
    """Go to the safe state of the kind, whatever is running. Anybody with an account may ask."""

    command = "make_safe"
    interrupts = True
    needs_lease = False
    reason: str


class Stop(Command[None]):
    """End whatever the device is doing, at once. Anybody with an account may ask."""

    command = "stop"
    interrupts = True
    needs_lease = False


# Mount ---------------------------------------------------------------------------------------


class MountState(DeviceState):
    """State of a German equatorial mount; coordinates are where it believes that it points."""

    ra_deg: float = 0.0
    dec_deg: float = 0.0
    alt_deg: float = 0.0
    az_deg: float = 0.0
    hour_angle_deg: float = 0.0
    pier_side: PierSide = "unknown"
    tracking: bool = False
    slewing: bool = False
    parked: bool = True


class Slew(Command[None]):
    """Go to a position and track there; answers when the mount has arrived and settled.

    Attributes:
        pier_side: side to arrive on; None lets the mount choose by hour angle.
    """

    command = "slew"
    kind = Kind.MOUNT
    ra_deg: float = Field(ge=0, lt=360)
    dec_deg: float = Field(ge=-90, le=90)
    pier_side: Literal["east", "west"] | None = None


class Sync(Command[None]):
    """Tell the mount where it really points."""

    command = "sync"
    kind = Kind.MOUNT
    ra_deg: float = Field(ge=0, lt=360)
    dec_deg: float = Field(ge=-90, le=90)


class Track(Command[None]):
    """Start or stop sidereal tracking."""

    command = "track"
    kind = Kind.MOUNT
    on: bool


class Park(Command[None]):
    """Go to the park position and stop there."""

    command = "park"
    kind = Kind.MOUNT


class Unpark(Command[None]):
    """Allow motion again; the mount does not move."""

    command = "unpark"
    kind = Kind.MOUNT


class Pulse(Command[None]):
    """Move at the guide rate for some milliseconds."""

    command = "pulse"
    kind = Kind.MOUNT
    exclusive = False
    direction: Literal["north", "south", "east", "west"]
    duration_ms: int = Field(ge=0, le=10_000)


# Camera --------------------------------------------------------------------------------------


class FrameFacts(Model):
    """What a driver measured itself on a frame (cameras that measure on board; fast simulation).

    Lengths are full-resolution pixels; the centre is ICRS; rotation is the position angle of +y,
    east of north.
    """

    stars: int
    hfr_px: float | None
    fwhm_px: float | None
    elongation: float | None
    background_adu: float
    noise_adu: float
    saturated_stars: int = 0
    ra_deg: float | None = None
    dec_deg: float | None = None
    rotation_deg: float | None = None
    scale_arcsec: float | None = None


class FrameRef(Model):
    """A finished exposure that waits in the driver's spool.

    Attributes:
        sha256: of the pixel bytes (row-major, little-endian uint16); the name in the spool.
        where: ``file:///...`` in a spool folder, or ``memory:<device>`` in one process.
        exposure_id: the identifier that the daemon gave with the command.
        began_at: UTC at which the shutter opened.
        exposure_s: measured shutter time.
    """

    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    where: str
    width_px: int
    height_px: int
    exposure_id: str
    frame: FrameKind
    began_at: AwareDatetime
    exposure_s: float
    gain: int
    offset: int
    binning: int
    sensor_c: float | None
    setpoint_c: float | None
    pixel_um: float
    electrons_per_adu: float | None
    saturation_adu: int
    bayer: str | None = None
    facts: FrameFacts | None = None


class CameraState(DeviceState):
    """State of a cooled camera."""

    phase: Literal["idle", "exposing", "reading"] = "idle"
    exposure_id: str | None = None
    exposing_since: AwareDatetime | None = None
    cooler_on: bool = False
    sensor_c: float | None = None
    setpoint_c: float | None = None
    cooler_percent: float | None = None
    waiting: tuple[str, ...] = ()


class Expose(Command[FrameRef]):
    """Take one exposure; answers with its reference when it has been read out into the spool."""

    command = "expose"
    kind = Kind.CAMERA
    answer = FrameRef
    exposure_id: str
    frame: FrameKind
    exposure_s: float = Field(ge=0, le=7200)
    gain: int = 0
    offset: int = 0
    binning: int = Field(default=1, ge=1, le=8)


class Acknowledge(Command[None]):
    """The daemon has filed this frame; the spool may drop it."""

    command = "acknowledge"
    kind = Kind.CAMERA
    exclusive = False
    sha256: str


class Waiting(Model):
    """Frames that no daemon has acknowledged."""

    frames: tuple[FrameRef, ...]


class ListWaiting(Command[Waiting]):
    """Ask which frames wait in the spool."""

    command = "list_waiting"
    kind = Kind.CAMERA
    answer = Waiting
    exclusive = False
    needs_lease = False


class Cool(Command[None]):
    """Set the cooler's set point; answers at once, the driver ramps at the given rate."""

    command = "cool"
    kind = Kind.CAMERA
    exclusive = False
    setpoint_c: float = Field(ge=-60, le=40)
    rate_c_per_min: float = Field(gt=0, le=20)


class Warm(Command[None]):
    """Ramp the sensor up to the air and switch the cooler off; answers at once."""

    command = "warm"
    kind = Kind.CAMERA
    exclusive = False
    rate_c_per_min: float = Field(gt=0, le=20)


# Focuser -------------------------------------------------------------------------------------


class FocuserState(DeviceState):
    """State of a focuser."""

    position: int = 0
    max_position: int = 0
    moving: bool = False
    temperature_c: float | None = None


class Move(Command[None]):
    """Go to a position; answers on arrival."""

    command = "move"
    kind = Kind.FOCUSER
    position: int = Field(ge=0)


# Guider --------------------------------------------------------------------------------------


class GuiderState(DeviceState):
    """State of a guider; lengths are on the sky."""

    phase: Literal["idle", "calibrating", "guiding", "settling", "lost"] = "idle"
    calibrated: bool = False
    rms_ra_arcsec: float | None = None
    rms_dec_arcsec: float | None = None
    star_snr: float | None = None
    error_arcsec: float | None = None


class Settle(Model):
    """When a guided rig counts as settled: the error stays under a bound for some time."""

    under_arcsec: float = Field(gt=0)
    hold_s: float = Field(gt=0)
    timeout_s: float = Field(gt=0)


class StartGuiding(Command[None]):
    """Choose stars, calibrate if needed, guide; answers when settled."""

    command = "start_guiding"
    kind = Kind.GUIDER
    settle: Settle
    recalibrate: bool = False


class StopGuiding(Command[None]):
    """Stop correcting the mount."""

    command = "stop_guiding"
    kind = Kind.GUIDER
    interrupts = True


class Dither(Command[None]):
    """Shift the guiding target by this much on the sky; answers when settled there."""

    command = "dither"
    kind = Kind.GUIDER
    east_arcsec: float
    north_arcsec: float
    settle: Settle


# Filter wheel --------------------------------------------------------------------------------


class FilterWheelState(DeviceState):
    """State of a filter wheel."""

    filters: tuple[str, ...] = ()
    selected: str | None = None
    moving: bool = False


class SelectFilter(Command[None]):
    """Bring a filter into the beam; answers on arrival."""

    command = "select_filter"
    kind = Kind.FILTER_WHEEL
    name: str


# Weather -------------------------------------------------------------------------------------


class WeatherState(DeviceState):
    """Readings of the weather and safety sensor; None where it cannot measure."""

    read_at: AwareDatetime | None = None
    air_c: float | None = None
    humidity_percent: float | None = None
    dew_point_c: float | None = None
    wind_ms: float | None = None
    gust_ms: float | None = None
    cloud_percent: float | None = None
    rain: bool | None = None


# Roof ----------------------------------------------------------------------------------------


class RoofState(DeviceState):
    """State of a roof or dome shutter."""

    position: Literal["open", "closed", "opening", "closing", "between", "unknown"] = "closed"


class OpenRoof(Command[None]):
    """Open; answers when the sensor says open."""

    command = "open_roof"
    kind = Kind.ROOF


class CloseRoof(Command[None]):
    """Close; answers when the sensor says closed. Refused while the mount is not parked."""

    command = "close_roof"
    kind = Kind.ROOF
    interrupts = True


# Flat panel ----------------------------------------------------------------------------------


class FlatPanelState(DeviceState):
    """State of a flat panel with an optional cover."""

    lit: bool = False
    brightness_percent: float = 0.0
    cover: Literal["open", "closed", "moving", "none"] = "none"


class Light(Command[None]):
    """Switch the panel on at a brightness; 0 switches it off."""

    command = "light"
    kind = Kind.FLAT_PANEL
    brightness_percent: float = Field(ge=0, le=100)


class Cover(Command[None]):
    """Open or close the cover; answers on arrival."""

    command = "cover"
    kind = Kind.FLAT_PANEL
    closed: bool


# Switch --------------------------------------------------------------------------------------


class SwitchState(DeviceState):
    """State of a box of switched outlets."""

    outlets: dict[str, bool] = Field(default_factory=dict)


class SetOutlet(Command[None]):
    """Switch one outlet on or off."""

    command = "set_outlet"
    kind = Kind.SWITCH
    outlet: str
    on: bool


class CycleOutlet(Command[None]):
    """Switch one outlet off and, after some seconds, on again."""

    command = "cycle_outlet"
    kind = Kind.SWITCH
    outlet: str
    off_s: float = Field(gt=0, le=120)


class DeviceAbout(Model):
    """What a driver says of its device once: capabilities, limits and units.

    Attributes:
        limits: name with the unit in it (``max_position``, ``slew_rate_deg_s``) to value.
    """

    kind: Kind
    driver: str
    capabilities: tuple[str, ...] = ()
    limits: dict[str, JsonValue] = Field(default_factory=dict)


STATES: dict[Kind, type[DeviceState]] = {
    Kind.MOUNT: MountState,
    Kind.CAMERA: CameraState,
    Kind.FOCUSER: FocuserState,
    Kind.GUIDER: GuiderState,
    Kind.FILTER_WHEEL: FilterWheelState,
    Kind.WEATHER: WeatherState,
    Kind.ROOF: RoofState,
    Kind.FLAT_PANEL: FlatPanelState,
    Kind.SWITCH: SwitchState,
}

_COMMANDS: tuple[type[Command[None]] | type[Command[FrameRef]] | type[Command[Waiting]], ...] = (
    Connect, Disconnect, MakeSafe, Stop,
    Slew, Sync, Track, Park, Unpark, Pulse,
    Expose, Acknowledge, ListWaiting, Cool, Warm,
    Move,
    StartGuiding, StopGuiding, Dither,
    SelectFilter,
    OpenRoof, CloseRoof,
    Light, Cover,
    SetOutlet, CycleOutlet,
)  # fmt: skip


def commands_of(kind: Kind) -> dict[str, type[Command[object]]]:
    """Return the commands that a kind of device takes, by name on the bus."""
    return {c.command: c for c in _COMMANDS if c.kind in (None, kind)}  # type: ignore[misc]
