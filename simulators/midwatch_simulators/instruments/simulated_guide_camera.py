"""Simulated guide camera: small, quick and uncooled, behind a guide scope or off the axis."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from midwatch.devices.contract import DeviceAbout, DriverContext
from midwatch_simulators.base import awake, generator
from midwatch_simulators.instruments.simulated_camera import SimulatedCamera
from midwatch_simulators.sky import Beam, CameraOptions

_SHORT = 0.1
# Of a sensor in a summer night's sun-warmed housing, gone bad (common practice, no source).
_HOT_SHARE, _HOT_ADU = 0.01, (2_000, 40_000)


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
    # Small achromats are less sharp than the camera lens or refractor next to them.
    optics_um: float = Field(default=6.0, ge=0)
    image_motion: float = Field(default=0.12, ge=0, le=1)
    readout_s: float = Field(default=0.2, ge=0, le=120)


class SimulatedGuideCamera(SimulatedCamera):
    """A camera on the same mount as the main one, for short exposures.

    Faults: ``guide-camera-unplugged``, ``guide-camera-frozen`` (the last frame, again and again),
    ``guide-camera-hot`` (many pixels far above the rest, each in its own way),
    ``guide-camera-wrong-exposure`` (a tenth of what is asked and reported), ``guide-star-lost``
    (dew on its lens, a cap: no light).
    """

    settings = GuideCameraOptions
    shows: ClassVar[tuple[str, ...]] = (
        "guide-camera-unplugged", "guide-camera-frozen", "guide-camera-hot",
        "guide-camera-wrong-exposure", "guide-star-lost",
    )  # fmt: skip
    _last: NDArray[np.uint16] | None = None

    def sees(self) -> bool:
        """Return whether light reaches the sensor."""
        return not self.troubles.active("guide-star-lost")

    def exposed_s(self, exposure_s: float) -> float:
        """Return how long it exposes when it is asked for a time."""
        wrong = self.troubles.active("guide-camera-wrong-exposure")
        return _SHORT * exposure_s if wrong else exposure_s

    def sent(self, pixels: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Return what leaves the camera when these pixels were read out."""
        last = self._last
        frozen = self.troubles.active("guide-camera-frozen")
        if frozen and last is not None and last.shape == pixels.shape:
            return last
        if self.troubles.active("guide-camera-hot"):
            draws = generator(self.seed, "hot pixels", 0)
            hot = draws.random(pixels.shape) < _HOT_SHARE
            level = draws.integers(*_HOT_ADU, size=pixels.shape)
            heated = np.where(hot, np.minimum(pixels + level, 65535), pixels)
            pixels = heated.astype(np.uint16)
        self._last = pixels
        return pixels

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
    return awake(SimulatedGuideCamera(context))
