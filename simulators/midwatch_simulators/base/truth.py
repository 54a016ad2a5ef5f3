"""What simulated devices send each other: the physics, as opposed to what instruments say.

A truth holds from the instant in it until the next one, so a device that needs the past keeps a few
of them. Angles are degrees, ICRS.
"""

from __future__ import annotations

import math

from pydantic import Field

from midwatch.devices.contract import Model, PierSide
from midwatch_simulators.base.noise import smooth

SIDEREAL_ARCSEC_PER_S = 1296000.0 / 86164.0905  # mean sidereal day in SI seconds
CALM_WIND_MS = 4.0  # gusts below this do not move a telescope (common practice, no source)
_SHAKE_S = 1.5  # a gust pushes for about so long
_GOLDEN_RAD = math.pi * (3.0 - math.sqrt(5.0))


def shifted(
    ra_deg: float, dec_deg: float, east_arcsec: float, north_arcsec: float
) -> tuple[float, float]:
    """Move a direction along the tangent plane and return the new right ascension and declination.

    Gnomonic projection (Calabretta and Greisen 2002, inverse), exact also at the poles.
    """
    xi, eta = math.radians(east_arcsec / 3600.0), math.radians(north_arcsec / 3600.0)
    dec = math.radians(dec_deg)
    towards = math.cos(dec) - eta * math.sin(dec)
    ra = ra_deg + math.degrees(math.atan2(xi, towards))
    new_dec = math.atan2(math.sin(dec) + eta * math.cos(dec), math.hypot(xi, towards))
    return ra % 360.0, math.degrees(new_dec)


class MountTruth(Model):
    """Where the optical axis really points, and how that goes on.

    Attributes:
        utc_s: instant at which `ra_deg` and `dec_deg` hold.
        hour_angle_deg: of the same direction at the same instant.
        camera_turn_deg: how far the camera is turned against the sky by the position of the mount.
        tracking: the axis follows the stars, with the errors given here.
        guided: a guider takes the errors out.
        slewing: the axis is on its way; the position is where it started.
        axis_error_x_deg: how far the mount's axis is tilted from the pole towards the
            meridian's equator point.
        axis_error_y_deg: how far it is tilted towards the east.
        worm_arcsec: peak to peak periodic error in right ascension.
        worm_period_s: time of a turn of the worm.
        worm_phase: turns of the worm at POSIX time zero, 0 to 1.
        worm_harmonics: sizes of the second, third ... harmonic as shares of the first.
        wind_arcsec_per_ms: shake, one axis, by each m/s of gust above a calm wind.
        wind_seed: of the shake.
    """

    utc_s: float
    ra_deg: float
    dec_deg: float
    hour_angle_deg: float
    pier_side: PierSide = "unknown"
    camera_turn_deg: float = 0.0
    tracking: bool = False
    guided: bool = False
    slewing: bool = False
    parked: bool = False
    axis_error_x_deg: float = 0.0
    axis_error_y_deg: float = 0.0
    worm_arcsec: float = 0.0
    worm_period_s: float = Field(default=480.0, gt=0)
    worm_phase: float = 0.0
    worm_harmonics: tuple[float, ...] = ()
    wind_arcsec_per_ms: float = Field(default=0.0, ge=0)
    wind_seed: int = 0

    def drift_arcsec(self, utc_s: float) -> tuple[float, float]:
        """Return how far east and north the axis has gone among the stars since `self.utc_s`.

        The polar error is the exact integral of the first-order rotation difference
        omega (pole - axis) x direction; the periodic error a sine of the worm's angle.
        """
        if self.guided and self.tracking:
            return 0.0, 0.0
        after_s = utc_s - self.utc_s
        if not self.tracking:
            return SIDEREAL_ARCSEC_PER_S * after_s * math.cos(math.radians(self.dec_deg)), 0.0
        start = math.radians(self.hour_angle_deg)
        end = start + math.radians(SIDEREAL_ARCSEC_PER_S * after_s / 3600.0)
        d_cos, d_sin = math.cos(end) - math.cos(start), math.sin(end) - math.sin(start)
        x, y = self.axis_error_x_deg * 3600.0, self.axis_error_y_deg * 3600.0
        dec = math.radians(self.dec_deg)
        worm = self._worm_arcsec(utc_s) - self._worm_arcsec(self.utc_s)
        return (x * d_sin + y * d_cos) * math.sin(dec) + worm * math.cos(dec), y * d_sin - x * d_cos

    def pointing(self, utc_s: float) -> tuple[float, float]:
        """Return right ascension and declination of the optical axis at an instant."""
        if not self.tracking:
            turned_deg = SIDEREAL_ARCSEC_PER_S * (utc_s - self.utc_s) / 3600.0
            return (self.ra_deg + turned_deg) % 360.0, self.dec_deg
        return shifted(self.ra_deg, self.dec_deg, *self.drift_arcsec(utc_s))

    def _worm_arcsec(self, utc_s: float) -> float:
        angle = 2.0 * math.pi * (utc_s / self.worm_period_s + self.worm_phase)
        # The golden angle keeps the harmonics' phases apart, so that they do not add up to a
        # spike at the worm's zero.
        shape = math.sin(angle) + sum(
            share * math.sin((order + 2) * angle + _GOLDEN_RAD * (order + 1))
            for order, share in enumerate(self.worm_harmonics)
        )
        return 0.5 * self.worm_arcsec * shape

    def shake_arcsec(self, utc_s: float, gust_ms: float) -> tuple[float, float]:
        """Return how far gusts push the telescope east and north at an instant."""
        reach = self.wind_arcsec_per_ms * max(0.0, gust_ms - CALM_WIND_MS)
        if reach == 0.0:
            return 0.0, 0.0
        turn = utc_s / _SHAKE_S
        return (
            reach * smooth(self.wind_seed, "shake east", turn),
            reach * smooth(self.wind_seed, "shake north", turn),
        )


class GuiderTruth(Model):
    """What the guider does to the pointing.

    Attributes:
        since_utc_s: start of the present run of guiding; names the run.
        rms_ra_arcsec: what is left on the sky after guiding, right ascension.
        rms_dec_arcsec: the same in declination.
        east_arcsec: sum of the dithers of this run, towards the east.
        north_arcsec: the same towards the north.
    """

    utc_s: float
    guiding: bool = False
    since_utc_s: float = 0.0
    rms_ra_arcsec: float = 0.0
    rms_dec_arcsec: float = 0.0
    east_arcsec: float = 0.0
    north_arcsec: float = 0.0


class FocuserTruth(Model):
    """Where the focuser's tube is and where it should be.

    Attributes:
        tube: position of the moved optics, steps; behind the motor by the backlash.
        best_tube: position of best focus at `reference_c`, steps.
        slope_steps_per_c: shift of best focus when lens and tube change by a degree together.
        tube_share: of that slope, what the tube makes; the rest is the lens's.
        lens_lag_s: time constant with which the lens follows the air.
        tube_lag_s: the same of the tube.
        um_per_step: focal shift of one step.
    """

    utc_s: float
    tube: float
    best_tube: float
    slope_steps_per_c: float
    reference_c: float
    tube_share: float
    lens_lag_s: float
    tube_lag_s: float
    um_per_step: float

    def defocus_um(self, lens_c: float, tube_c: float) -> float:
        """Return how far the sensor is behind best focus at temperatures of lens and tube."""
        optics_c = lens_c + self.tube_share * (tube_c - lens_c)
        best = self.best_tube + self.slope_steps_per_c * (optics_c - self.reference_c)
        return (self.tube - best) * self.um_per_step


class RoofTruth(Model):
    """How far the roof is open, 0 to 1; light comes through from one half on."""

    utc_s: float
    open_fraction: float


class PanelTruth(Model):
    """The flat panel: what it shines into the telescope, and whether it bars the sky."""

    utc_s: float
    brightness_percent: float
    covers: bool


class RotatorTruth(Model):
    """How far the camera has been turned since the beginning, from north through east."""

    utc_s: float
    turned_deg: float


class WheelTruth(Model):
    """The filter in the beam: share of the band it passes and the focal shift it makes."""

    utc_s: float
    name: str | None
    transmission: float
    focus_um: float
