"""State, commands and frames of a cooled camera."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, Field

from midwatch.devices.contract.base import Command, DeviceState, FrameKind, Kind, Model


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
        width_px, height_px: those that the camera announces in its limits: the sensor's by the
            binning without remainder, or ``frame_width_px`` and ``frame_height_px``.
        exposure_id: the identifier that the daemon gave with the command.
        began_at: UTC at which the shutter opened.
        exposure_s: measured shutter time.
        read_noise_e: at this gain, as the maker says; None where the driver does not know.
        first_row: edge of the picture at which the first row lies, where a telescope without a
            mirror shows the sky as the eye sees it; of most cameras the top.
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
    read_noise_e: float | None = None
    first_row: Literal["top", "bottom"] = "top"
    facts: FrameFacts | None = None


class CameraState(DeviceState):
    """State of a cooled camera.

    One with a shutter of its own, so that its darks are dark under the open sky, says ``shutter``
    among its capabilities.

    Its limits may hold ``min_gain``, ``max_gain``, the same of offset and binning, and
    ``cooling_c``, how far it cools below the air: a check holds rig and orders against them.
    """

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
