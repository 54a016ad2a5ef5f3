"""How guide pulses move the stars, and between pixels, sky and pulses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from midwatch.imaging.guiding.guide_settings import (
    SIDEREAL_ARCSEC_S,
    GuideModel,
    GuidePointing,
    GuideSettings,
)
from midwatch.sky.mounts import CalibrationSide

__all__ = ["Calibration", "Steering", "Validity"]

Validity = Literal["valid", "flipped", "check", "invalid"]
FloatArray = NDArray[np.float64]

# Nearer to the pole than this the scaling with cos(dec) magnifies every error of a calibration.
_POLE_DEG = 85.0
# Relative change of the scale that another focal reducer or binning makes, and focusing does not.
_SAME_SCALE = 0.05


class Calibration(GuideModel):
    """What a calibration run has shown, as it was measured.

    Star motion is on the frame: x along a row, y along a column. Moving the telescope one way
    moves the stars the other.

    Attributes:
        west_px_s: Motion (x, y) of the stars a second of a pulse "west", in pixels.
        north_px_s: The same for a pulse "north".
        dec_deg: Declination where it was measured.
        pier_side: Side of the pier.
        scale_arcsec_px: Arcseconds a pixel.
        binning: Binning of the frames.
        dec_backlash_ms: Pulse lost in the gears when the declination axis reverses.
        error_px_s: Standard error of the rates.
        measured_s: When it was measured, in the driver's seconds.
    """

    west_px_s: tuple[float, float]
    north_px_s: tuple[float, float]
    dec_deg: float = Field(ge=-90, le=90)
    pier_side: CalibrationSide = "unknown"
    scale_arcsec_px: float = Field(gt=0)
    binning: int = Field(default=1, ge=1)
    dec_backlash_ms: float = Field(default=0.0, ge=0)
    error_px_s: float = Field(default=0.0, ge=0)
    measured_s: float = 0.0

    @property
    def ra_rate_px_s(self) -> float:
        """Speed of the stars in an RA pulse at the calibration's declination."""
        return float(np.hypot(*self.west_px_s))

    @property
    def dec_rate_px_s(self) -> float:
        """Speed of the stars in a declination pulse."""
        return float(np.hypot(*self.north_px_s))

    @property
    def angle_deg(self) -> float:
        """Direction of star motion in a pulse west, from +x towards +y, -180 to 180."""
        return float(np.degrees(np.arctan2(self.west_px_s[1], self.west_px_s[0])))

    @property
    def orthogonality_error_deg(self) -> float:
        """How far the angle between the axes is from 90 degrees, -90 to 90."""
        a = complex(*self.west_px_s)
        b = complex(*self.north_px_s)
        return float(np.degrees(np.arcsin(np.clip((a.conjugate() * b).real / abs(a * b), -1, 1))))

    @property
    def parity(self) -> Literal[-1, 1]:
        """1 when north is turned from west as y from x, -1 when the other way."""
        cross = self.west_px_s[0] * self.north_px_s[1] - self.west_px_s[1] * self.north_px_s[0]
        return 1 if cross > 0 else -1

    def validity(
        self, settings: GuideSettings, pointing: GuidePointing, turned_deg: float = 0.0
    ) -> Validity:
        """Say whether the calibration holds where the telescope points now.

        Args:
            settings: Scale and binning of the frames, and how the mount answers after a flip.
            pointing: Where the telescope points.
            turned_deg: How far the camera has been turned since, where a rotator knows it.

        Returns:
            "valid" on the same side of the pier, or on a mount without sides; "flipped" on the
            other where the mount's way with declination pulses is known; "check" where it, or the
            side, is not known and a pulse must show it; "invalid" with another binning or scale, a
            turned camera, or too near the pole.
        """
        if (
            self.binning != settings.binning
            or abs(self.scale_arcsec_px / settings.scale_arcsec_px - 1.0) > _SAME_SCALE
            or abs(turned_deg) > 1.0
            or (abs(pointing.dec_deg) > _POLE_DEG and abs(pointing.dec_deg - self.dec_deg) > 0.5)
        ):
            return "invalid"
        sides = (pointing.pier_side, self.pier_side)
        if "unknown" in sides:
            return "check"
        if pointing.pier_side == self.pier_side:
            return "valid"
        if "none" in sides:
            return "check"  # it was measured on another kind of mount
        return "check" if settings.dec_follows_sky is None else "flipped"

    def steering(self, pointing: GuidePointing, *, turned: bool, dec_follows_sky: bool) -> Steering:
        """Return the conversions that hold at a pointing.

        Args:
            pointing: Where the telescope points.
            turned: Whether the camera sees the sky turned by 180 degrees against the
                calibration, as after a flip.
            dec_follows_sky: Whether the mount moves north on a pulse "north" after the flip too.
                A mount that turns its motor the same way as before moves south then.
        """
        west = np.array(self.west_px_s)
        north = np.array(self.north_px_s)
        # The same angle about the polar axis is less on the sky away from the equator.
        west = west * _cos_ratio(pointing.dec_deg, self.dec_deg)
        sky_north = north
        if turned:
            west, sky_north = -west, -north
        # The motor turns the same way: seen from the turned camera the stars move as before.
        pulse_north = sky_north if dec_follows_sky or not turned else north
        return Steering(
            west_px_s=west,
            north_px_s=pulse_north,
            sky_north_sign=1 if pulse_north @ sky_north > 0 else -1,
            scale_arcsec_px=self.scale_arcsec_px,
        )

    def expected_ra_rate_px_s(self, guide_rate: float) -> float:
        """Return the RA speed that the guide rate promises at the calibration's declination."""
        cos_dec = float(np.cos(np.radians(self.dec_deg)))
        return guide_rate * SIDEREAL_ARCSEC_S * cos_dec / self.scale_arcsec_px


def _cos_ratio(dec_deg: float, reference_deg: float) -> float:
    def cos(value: float) -> float:
        return float(np.cos(np.radians(min(abs(value), _POLE_DEG))))

    return cos(dec_deg) / cos(reference_deg)


@dataclass(frozen=True, eq=False)
class Steering:
    """Conversions between pixels, sky and pulses at one pointing.

    Errors are of the telescope: `ra_arcsec` is how far it points east of the target, on the sky
    (coordinate times cos(dec)), `dec_arcsec` how far north. The stars are then off the other
    way. "West" is the direction of a pulse "west".

    Attributes:
        west_px_s: Motion of the stars a second of a pulse "west", shape (2,).
        north_px_s: The same for a pulse "north".
        sky_north_sign: 1 when a pulse "north" moves the telescope north, -1 when south.
        scale_arcsec_px: Arcseconds a pixel.
    """

    west_px_s: FloatArray
    north_px_s: FloatArray
    sky_north_sign: int
    scale_arcsec_px: float

    @property
    def ra_rate_arcsec_s(self) -> float:
        """Speed on the sky in an RA pulse."""
        return float(np.hypot(*self.west_px_s)) * self.scale_arcsec_px

    @property
    def dec_rate_arcsec_s(self) -> float:
        """Speed on the sky in a declination pulse."""
        return float(np.hypot(*self.north_px_s)) * self.scale_arcsec_px

    def _axes(self) -> FloatArray:
        """Return star motion for an arcsecond of telescope east and north, in columns."""
        east = -self.west_px_s / self.ra_rate_arcsec_s
        north = self.sky_north_sign * self.north_px_s / self.dec_rate_arcsec_s
        return np.stack([east, north], axis=1)

    def error_arcsec(self, dx_px: float, dy_px: float) -> tuple[float, float]:
        """Return how far the telescope points off (east, north) when the stars are off so.

        The axes need not be square to each other: the displacement is split along both.
        """
        east, north = np.linalg.solve(self._axes(), np.array([dx_px, dy_px]))
        return float(east), float(north)

    def shift_px(self, east_arcsec: float, north_arcsec: float) -> tuple[float, float]:
        """Return how far the stars move when the telescope moves so; inverts `error_arcsec`."""
        dx, dy = self._axes() @ np.array([east_arcsec, north_arcsec])
        return float(dx), float(dy)

    def covariance_arcsec2(self, covariance_px2: FloatArray) -> FloatArray:
        """Return the covariance (2, 2) of (east, north) from that of pixels."""
        inverse = np.linalg.inv(self._axes())
        covariance: FloatArray = inverse @ covariance_px2 @ inverse.T
        return covariance

    def ra_pulse_ms(self, east_arcsec: float) -> float:
        """Return the pulse that moves the telescope east so far; negative means "west"."""
        return 1e3 * east_arcsec / self.ra_rate_arcsec_s

    def dec_pulse_ms(self, north_arcsec: float) -> float:
        """Return the pulse that moves it north; negative means the pulse named "south"."""
        return 1e3 * self.sky_north_sign * north_arcsec / self.dec_rate_arcsec_s
