"""Simulated guide camera: small, quick and uncooled, behind a guide scope or off the axis."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from midwatch.devices.driver import DriverContext
from midwatch.devices.models import DeviceAbout

from .camera import SimulatedCamera
from .sensor import CameraOptions
from .view import Beam


class GuideCameraOptions(CameraOptions):
    """Settings of the simulated guide camera and the guide scope before it.

    Attributes:
        off_axis: it sees by a prism in the main telescope, and so through its focuser; the
            optics are the main telescope's then.
    """

    off_axis: bool = False
    width_px: int = Field(default=640, ge=32, le=12_000)
    height_px: int = Field(default=480, ge=32, le=12_000)
    pixel_um: float = Field(default=3.75, gt=0, le=50)
    focal_length_mm: float = Field(default=200.0, gt=0)
    aperture_mm: float = Field(default=50.0, gt=0)
    rotation_deg: float = 57.0
    # Small achromats are less sharp than the camera lens or refractor beside them.
    optics_um: float = Field(default=6.0, ge=0)
    image_motion: float = Field(default=0.12, ge=0, le=1)
    readout_s: float = Field(default=0.2, ge=0, le=120)


class SimulatedGuideCamera(SimulatedCamera):
    """A camera on the same mount as the main one, for short exposures."""

    settings = GuideCameraOptions

    def beam(self, options: CameraOptions) -> Beam:
        """Return the light of the guide scope, or of the main telescope."""
        assert isinstance(options, GuideCameraOptions)
        return Beam(self.context, own_tube=not options.off_axis)

    def limits(self) -> dict[str, Any]:
        """Return the geometry, and the optics that give its scale."""
        return {**super().limits(), "focal_length_mm": self._options.focal_length_mm}

    def about(self) -> DeviceAbout:
        """Say what the device can do."""
        return super().about().model_copy(update={"driver": "simulated-guide-camera"})


def make(context: DriverContext) -> SimulatedGuideCamera:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return SimulatedGuideCamera(context)
