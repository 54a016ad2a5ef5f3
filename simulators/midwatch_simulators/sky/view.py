"""What a camera looks at: the truths of the other devices, put together for one exposure."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.devices.contract import DriverContext
from midwatch.sky import Horizon, Observer, TreeLine, airmass, sky_brightness_mag
from midwatch_simulators.base import (
    FocuserTruth,
    GuiderTruth,
    Heard,
    MountTruth,
    PanelTruth,
    RoofTruth,
    RotatorTruth,
    WheelTruth,
    shifted,
    smooth,
)
from midwatch_simulators.sky.air import Air, cloud_extinction_mag, cloud_glow
from midwatch_simulators.sky.photometry import electrons_per_s, pixel_magnitude
from midwatch_simulators.sky.sensor import Sensor
from midwatch_simulators.sky.star_image import Blur
from midwatch_simulators.sky.veil import Veil

Path = NDArray[np.float64]

_SAMPLES = 9  # instants of an exposure at which the sky and the mount are asked, at least
# A mount that is pulsed or shaken is asked this often, and no more often than so many times.
_EVERY_S, _MOST_SAMPLES = 1.0, 400
_TILT_S = 0.6  # the air tilts a star's light for about so long
_TILT_2S = 1.63  # takes the mean of 2 s of that tilt to an rms of one
_EXTINCTION_MAG = 0.172  # by one air mass in V, as in Krisciunas and Schaefer 1991
# Of the sky's light that walls and lit trees send on, and trees in the dark (common practice, no
# source).
_OBSTACLE_GLOW, _TREE_GLOW = 0.4, 0.15
_RUINED_PX = 150.0  # a trail longer than this leaves hardly any stars


@dataclass(frozen=True)
class SkyView:
    """The light on the sensor during one exposure; pixels are those of the binning asked for.

    Attributes:
        ra_deg: mean direction of the frame's centre, ICRS; dec_deg likewise.
        rotation_deg: position angle of +y, east of north.
        stars: whether the sky is in focus enough and steady enough to show any.
        star_rate: electrons a second of a star of magnitude 0 on an even pixel.
        glow_e_s: electrons a second in a pixel by sky or panel, even response.
        veil: trees in front of the field.
    """

    ra_deg: float
    dec_deg: float
    rotation_deg: float
    stars: bool
    star_rate: float
    glow_e_s: float
    blur: Blur
    veil: Veil | None = None


class Beam:
    """Listens to what bends, blocks and dims the light.

    Args:
        own_tube: the camera looks through a tube of its own on the same mount: nothing of the
            main telescope's focuser, filter wheel and flat panel is in its way.
    """

    def __init__(self, context: DriverContext, *, own_tube: bool = False) -> None:
        def main(device: str) -> str | None:
            return None if own_tube else device

        self._observer = Observer(context.place)
        self._horizon = context.horizon
        self._mounts: deque[MountTruth] = deque(maxlen=8000)
        self._dark_sky: tuple[tuple[float, float, float], float] | None = None
        Heard(context, "mount", MountTruth, self._mounts.append)
        self._guider = Heard(context, "guider", GuiderTruth)
        self._focuser = Heard(context, main("focuser"), FocuserTruth)
        self._roof = Heard(context, "roof", RoofTruth)
        self._weather = Heard(context, "weather", Air)
        self._panel = Heard(context, main("flat_panel"), PanelTruth)
        self._wheel = Heard(context, main("filter_wheel"), WheelTruth)
        self._rotator = Heard(context, main("rotator"), RotatorTruth)

    @property
    def air(self) -> Air:
        """The air as far as it is known."""
        return self._weather.latest or Air()

    def begin(self, utc_s: float) -> None:
        """Forget what was true before an exposure that begins now."""
        while len(self._mounts) > 1 and self._mounts[1].utc_s <= utc_s:
            self._mounts.popleft()

    def look(self, sensor: Sensor, began_s: float, exposure_s: float, *, shutter: bool) -> SkyView:
        """Return what fell on a sensor.

        Args:
            sensor: at the binning of the exposure.
            began_s: POSIX time of the beginning; `begin` was called then.
            exposure_s: how long.
            shutter: whether any light was let in at all.
        """
        times = began_s + exposure_s * (np.arange(_SAMPLES) + 0.5) / _SAMPLES
        middle_s = began_s + 0.5 * exposure_s
        ra, dec, path, moving = self._path(self._instants(began_s, exposure_s))
        rotation_deg = self._rotation_deg(sensor)
        trail = np.ptp(path, axis=0) / sensor.scale_arcsec
        seen = self._roof.latest is None or self._roof.latest.open_fraction >= 0.5
        panel = self._panel.latest
        barred = panel is not None and panel.covers
        star_rate = glow = 0.0
        veil: Veil | None = None
        passed = 1.0 if self._wheel.latest is None else self._wheel.latest.transmission
        alt_deg = self._observer.quick_at(middle_s).altaz_ha(ra, dec, middle_s).alt_deg
        open_share = self._open_share(sensor, ra, dec, times)
        mass = float(airmass(max(alt_deg, 0.0)))
        if shutter and barred and panel is not None:
            share = passed * panel.brightness_percent / 100.0
            glow = sensor.options.panel_electrons_s * sensor.binning**2 * share
        elif shutter and seen:
            star_rate, glow = self._sky(sensor, ra, dec, times.tolist(), mass, passed)
            star_rate *= open_share
            glow *= _OBSTACLE_GLOW + (1.0 - _OBSTACLE_GLOW) * open_share
            veil = self._veil(sensor, ra, dec, times)
            if veil is not None:
                glow *= _TREE_GLOW + (1.0 - _TREE_GLOW) * veil.middle_share
        if sensor.options.image_motion > 0.0:
            ra, dec = shifted(ra, dec, *self._tilt(sensor, times.tolist(), mass))
        return SkyView(
            ra_deg=ra,
            dec_deg=dec,
            rotation_deg=rotation_deg,
            stars=star_rate > 0.0 and alt_deg > 0.0 and not moving
            and float(np.hypot(*trail)) < _RUINED_PX,
            star_rate=star_rate,
            glow_e_s=glow,
            blur=self._blur(sensor, path, rotation_deg, mass, middle_s),
            veil=veil,
        )  # fmt: skip

    def _open_share(
        self, sensor: Sensor, ra_deg: float, dec_deg: float, times: NDArray[np.float64]
    ) -> float:
        """Return for how much of an exposure nothing was in front of the telescope."""
        if not sensor.options.obstacles:
            return 1.0
        edge = Horizon.from_pairs(sensor.options.obstacles)
        place = self._observer.altaz(ra_deg, dec_deg, times)
        return float(np.mean(place.alt_deg > edge.altitude_deg(place.az_deg)))

    def _veil(
        self, sensor: Sensor, ra_deg: float, dec_deg: float, times: NDArray[np.float64]
    ) -> Veil | None:
        """Return the trees in front of a field, or None where there are none."""
        taller_deg = sensor.options.trees_above_horizon_deg
        if taller_deg <= 0.0:
            return None
        trees = TreeLine(self._horizon, taller_deg)
        return Veil.before(trees, self._observer, ra_deg, dec_deg, times, _diagonal_deg(sensor))

    def _sky(
        self,
        sensor: Sensor,
        ra_deg: float,
        dec_deg: float,
        times: list[float],
        mass: float,
        passed: float,
    ) -> tuple[float, float]:
        """Return the rate of a star of magnitude 0, and the glow of the sky in a pixel."""
        options = sensor.options
        clouds = [self.air.cloud_percent_at(time_s) for time_s in times]
        clear = sum(10.0 ** (-0.4 * cloud_extinction_mag(cloud)) for cloud in clouds) / len(clouds)
        lit = sum(cloud_glow(cloud) for cloud in clouds) / len(clouds)
        band = options.band_angstrom * passed
        zero = electrons_per_s(0.0, sensor.area_cm2, band, options.efficiency)
        star_rate = zero * clear * math.pow(10.0, -0.4 * _EXTINCTION_MAG * mass)
        middle_s = times[len(times) // 2]
        # Many short exposures in a row look at the same sky.
        where = (round(ra_deg, 2), round(dec_deg, 2), 10.0 * round(middle_s / 10.0))
        if self._dark_sky is None or self._dark_sky[0] != where:
            found = float(sky_brightness_mag(self._observer, *where, options.sky_mag))
            self._dark_sky = (where, found)
        surface_mag = self._dark_sky[1]
        pixel_mag = pixel_magnitude(surface_mag, sensor.scale_arcsec)
        glow = lit * electrons_per_s(pixel_mag, sensor.area_cm2, band, options.efficiency)
        return star_rate, glow

    def _instants(self, began_s: float, exposure_s: float) -> list[float]:
        """Return the instants at which the mount is asked: its pulses and shakes are quick."""
        count = _SAMPLES
        if len(self._mounts) > _SAMPLES or any(m.wind_arcsec_per_ms > 0.0 for m in self._mounts):
            count = min(max(count, math.ceil(exposure_s / _EVERY_S)), _MOST_SAMPLES)
        return [began_s + exposure_s * (step + 0.5) / count for step in range(count)]

    def _tilt(self, sensor: Sensor, times: list[float], mass: float) -> tuple[float, float]:
        """Return how far the air moves the image east and north, mean of the exposure."""
        air, middle_s = self.air, times[len(times) // 2]
        reach = sensor.options.image_motion * sensor.options.seeing_arcsec * _TILT_2S
        reach *= air.seeing_factor(middle_s) * min(mass, 20.0) ** 0.6
        east, north = (
            sum(smooth(air.seed, name, time_s / _TILT_S) for time_s in times) / len(times)
            for name in ("tilt east", "tilt north")
        )
        return reach * east, reach * north

    def _path(
        self, times: list[float]
    ) -> tuple[float, float, np.ndarray[tuple[int, int], np.dtype[np.float64]], bool]:
        """Return the mean pointing, offsets east and north of it in arcsec, whether it slewed."""
        if not self._mounts:
            # A camera on no mount at all looks at the pole.
            pole = math.copysign(90.0, self._observer.place.latitude_deg)
            return 0.0, pole, np.zeros((1, 2)), False
        truths, current = list(self._mounts), 0
        offsets = np.zeros((len(times), 2))
        moving = False
        ra0, dec0 = truths[0].pointing(times[0])
        for row, time_s in enumerate(times):
            while current + 1 < len(truths) and truths[current + 1].utc_s <= time_s:
                current += 1
            moving |= truths[current].slewing
            ra, dec = truths[current].pointing(time_s)
            east_deg = (ra - ra0 + 180.0) % 360.0 - 180.0
            offsets[row] = (
                east_deg * 3600.0 * math.cos(math.radians(dec0)),
                (dec - dec0) * 3600.0,
            )
            if truths[current].wind_arcsec_per_ms > 0.0 and not truths[current].guided:
                offsets[row] += truths[current].shake_arcsec(time_s, self.air.gust_ms(time_s))
        mean = offsets.mean(axis=0)
        centre = shifted(ra0, dec0, float(mean[0]), float(mean[1]))
        return *centre, offsets - mean, moving

    def _rotation_deg(self, sensor: Sensor) -> float:
        over_deg = self._mounts[-1].camera_turn_deg if self._mounts else 0.0
        turned_deg = 0.0 if self._rotator.latest is None else self._rotator.latest.turned_deg
        return (sensor.options.rotation_deg + turned_deg + over_deg) % 360.0

    def _blur(
        self,
        sensor: Sensor,
        path_arcsec: np.ndarray[tuple[int, int], np.dtype[np.float64]],
        rotation_deg: float,
        mass: float,
        middle_s: float,
    ) -> Blur:
        options = sensor.options
        scale, pixel_um = sensor.scale_arcsec, options.pixel_um * sensor.binning
        # Kolmogorov turbulence: the width grows with the air mass to the power 0.6.
        seeing = options.seeing_arcsec * self.air.seeing_factor(middle_s) * min(mass, 20.0) ** 0.6
        defocus_um = 0.0
        if self._focuser.latest is not None:
            focuser = self._focuser.latest
            lens_c = self.air.body_c(middle_s, focuser.lens_lag_s)
            tube_c = lens_c
            if focuser.tube_share and focuser.tube_lag_s != focuser.lens_lag_s:
                tube_c = self.air.body_c(middle_s, focuser.tube_lag_s)
            defocus_um = focuser.defocus_um(lens_c, tube_c)
        if self._wheel.latest is not None:
            defocus_um -= self._wheel.latest.focus_um
        disc_um = abs(defocus_um) * options.aperture_mm / options.focal_length_mm / 2.0
        to_pixels = orientation(rotation_deg, mirrored=options.mirrored) / scale
        jitter = np.zeros((2, 2))
        if self._guider.latest is not None and self._guider.latest.guiding:
            guider = self._guider.latest
            jitter = to_pixels @ np.diag(
                [guider.rms_ra_arcsec**2, guider.rms_dec_arcsec**2]
            ) @ to_pixels.T  # fmt: skip
        line, wander = _drawn(path_arcsec)
        jitter += to_pixels @ wander @ to_pixels.T
        trail = to_pixels @ line
        return Blur(
            moffat_fwhm=math.hypot(seeing / scale, options.optics_um / pixel_um),
            disc_radius=min(disc_um / pixel_um, 60.0),
            obstruction=options.obstruction,
            jitter_xx=float(jitter[0, 0]),
            jitter_xy=float(jitter[0, 1]),
            jitter_yy=float(jitter[1, 1]),
            trail_x=float(trail[0]),
            trail_y=float(trail[1]),
        ).rounded()


def orientation(
    rotation_deg: float, *, mirrored: bool
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return the matrix from (east, north) to (x, y) for a position angle of +y.

    With +y to the north, east is at smaller x, as one sees the sky; a mirror swaps that.
    """
    cos, sin = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    flip = -1.0 if mirrored else 1.0
    return np.array([[-flip * cos, flip * sin], [sin, cos]])


def _diagonal_deg(sensor: Sensor) -> float:
    return math.hypot(sensor.width_px, sensor.height_px) * sensor.scale_arcsec / 3600.0


def _drawn(path: Path) -> tuple[Path, Path]:
    """Part a path in equal steps, shape (N, 2), into a straight trail and what is left off it.

    Returns:
        The trail from end to end, shape (2,), and the covariance of the rest, shape (2, 2).
    """
    count = len(path)
    if count < 2:
        return np.zeros(2), np.zeros((2, 2))
    steps = np.arange(count) - 0.5 * (count - 1)
    slope = steps @ path / (steps @ steps)
    rest = path - steps[:, None] * slope - path.mean(axis=0)
    return slope * count, rest.T @ rest / count
