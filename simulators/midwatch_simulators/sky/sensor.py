"""The simulated sensor: geometry, response, dark current, conversion to numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from midwatch_simulators.base import Options, generator
from midwatch_simulators.sky.photometry import collecting_area_cm2, dark_electrons_per_s
from midwatch_simulators.sky.sensor_charge import cosmic_rays, telegraph

Image = NDArray[np.float32]

_MAX_ADU = 65535
_PEDESTAL_ADU, _OFFSET_ADU = 100, 10  # level without offset, and what one unit of it adds
# Share of the visible band that each colour of a mosaic passes; common practice, no source.
_MOSAIC = {"R": 0.28, "G": 0.36, "B": 0.27}
_PIXEL_SPREAD = 0.006  # of sensitivity from pixel to pixel


class CameraOptions(Options):
    """Settings of the simulated camera and the telescope before it.

    Attributes:
        sky_mode: "pixels" renders every frame; "fast" says what measuring one would give.
        bayer: colours of the first two rows and columns, row by row; None for mono.
        obstruction: of the aperture, share of the diameter.
        rotation_deg: position angle of +y while the telescope is west of the pier.
        mirrored: whether the image is turned left to right.
        band_angstrom: width of the visible band that a clear filter passes.
        efficiency: electrons for each photon on the aperture.
        electrons_per_adu: at gain 0; gain counts tenths of a decibel.
        dark_electrons_s: dark current at 0 C.
        dark_doubling_c: warming that doubles it.
        hot_share: share of pixels with many times the dark current; few of them with
            thousands of times.
        telegraph_share: share of those that go on and off by themselves.
        cosmic_rays_cm2_min: cosmic rays and other radiation, tracks a square centimetre and
            minute; 1 to 2 at sea level (common practice), none for 0.
        corner_loss: share of light that the corners lack.
        optics_um: width of a star by the optics alone, full at half maximum.
        seeing_arcsec: median width in the zenith.
        image_motion: how far a star wanders among exposures of 2 s, one axis rms, as a share of
            the seeing's width; longer exposures average it out.
        sky_mag: moonless zenith, V magnitudes per square arcsecond.
        panel_electrons_s: per pixel by the flat panel at full brightness, clear filter.
        max_gain, max_offset: highest settings that the camera has.
        cooling_c: how far the cooler can go below the air.
        shutter: whether it has one of its own, so that darks are dark under the open sky.
        self_heating_c: how far above the air the sensor settles while nothing cools it.
        warm_rate_c_per_min: rate at which the camera warms up when it is made safe.
        obstacles: what is in the telescope's way, whatever the site's horizon says: azimuth
            and altitude of its upper edge, degrees, linear between the points and around.
        trees_above_horizon_deg: by how much trees are taller than the site's horizon says, on
            average; they are ragged, and let part of the stars through near their edge.
    """

    width_px: int = Field(default=1800, ge=32, le=12_000)
    height_px: int = Field(default=1400, ge=32, le=12_000)
    pixel_um: float = Field(default=5.4, gt=0, le=50)
    focal_length_mm: float = Field(default=420.0, gt=0)
    aperture_mm: float = Field(default=85.0, gt=0)
    obstruction: float = Field(default=0.0, ge=0, lt=0.9)
    bayer: Literal["RGGB", "BGGR", "GRBG", "GBRG"] | None = None
    sky_mode: Literal["pixels", "fast"] = "pixels"
    rotation_deg: float = 12.0
    mirrored: bool = False
    band_angstrom: float = Field(default=2600.0, gt=0)
    efficiency: float = Field(default=0.55, gt=0, le=1)
    electrons_per_adu: float = Field(default=0.8, gt=0)
    max_gain: int = Field(default=600, ge=0)
    max_offset: int = Field(default=1000, ge=0)
    read_noise_e: float = Field(default=1.8, ge=0)
    full_well_e: float = Field(default=50_000.0, gt=0)
    dark_electrons_s: float = Field(default=0.012, ge=0)
    dark_doubling_c: float = Field(default=6.3, gt=0)
    hot_share: float = Field(default=0.002, ge=0, le=0.1)
    telegraph_share: float = Field(default=0.15, ge=0, le=1)
    cosmic_rays_cm2_min: float = Field(default=1.2, ge=0, le=1000)
    corner_loss: float = Field(default=0.15, ge=0, lt=1)
    optics_um: float = Field(default=5.0, ge=0)
    seeing_arcsec: float = Field(default=2.5, gt=0, le=20)
    image_motion: float = Field(default=0.0, ge=0, le=1)
    sky_mag: float = Field(default=21.0, ge=14, le=23)
    panel_electrons_s: float = Field(default=40_000.0, ge=0)
    readout_s: float = Field(default=1.5, ge=0, le=120)
    cooling_c: float = Field(default=35.0, gt=0)
    shutter: bool = True
    self_heating_c: float = Field(default=2.5, ge=0, le=20)
    warm_rate_c_per_min: float = Field(default=3.0, gt=0, le=20)
    obstacles: tuple[tuple[float, float], ...] = ()
    trees_above_horizon_deg: float = Field(default=0.0, ge=0, le=60)


@dataclass(frozen=True)
class Sensor:
    """A sensor at one binning; its pixels are binned ones, in which charge adds up.

    Attributes:
        seed: of the single pixels' faults.
    """

    options: CameraOptions
    seed: int
    binning: int = 1

    def binned(self, binning: int) -> Sensor:
        """Return the same sensor at a binning."""
        return replace(self, binning=binning)

    @property
    def width_px(self) -> int:
        """Pixels in a row."""
        return self.options.width_px // self.binning

    @property
    def height_px(self) -> int:
        """Rows."""
        return self.options.height_px // self.binning

    @property
    def scale_arcsec(self) -> float:
        """Sky that one pixel sees, at the centre."""
        pixel_mm = self.options.pixel_um * self.binning / 1000.0
        return math.degrees(pixel_mm / self.options.focal_length_mm) * 3600.0

    @property
    def area_cm2(self) -> float:
        """Free area of the telescope."""
        return collecting_area_cm2(self.options.aperture_mm, self.options.obstruction)

    @property
    def bayer(self) -> str | None:
        """Colours of the mosaic; binning mixes them."""
        return self.options.bayer if self.binning == 1 else None

    @property
    def read_noise_e(self) -> float:
        """Of one pixel; binning reads every pixel and adds."""
        return self.options.read_noise_e * self.binning

    def dark_e_s(self, sensor_c: float) -> float:
        """Return the dark current of an ordinary pixel."""
        options = self.options
        one = dark_electrons_per_s(options.dark_electrons_s, 0.0, options.dark_doubling_c, sensor_c)
        return one * self.binning**2

    def electrons_per_adu(self, gain: int) -> float:
        """Return the conversion at a gain in tenths of a decibel."""
        return self.options.electrons_per_adu * math.pow(10.0, -gain / 200.0)

    def pedestal_adu(self, offset: int) -> int:
        """Return the level of no light."""
        return (_PEDESTAL_ADU + _OFFSET_ADU * offset) * self.binning**2

    def saturation_adu(self, gain: int, offset: int) -> int:
        """Return the level at which a pixel is full, by its well or by the converter."""
        well = self.options.full_well_e * self.binning**2 / self.electrons_per_adu(gain)
        return min(_MAX_ADU, int(well) + self.pedestal_adu(offset))

    @cached_property
    def response(self) -> Image:
        """Relative sensitivity of each pixel: corners, mosaic, spread; shape (H, W)."""
        rng = generator(self.seed, "response", self.binning)
        image = rng.standard_normal((self.height_px, self.width_px), dtype=np.float32)
        image *= _PIXEL_SPREAD / self.binning
        image += 1.0
        image *= self._corners(self.height_px, self.width_px)
        for (row, column), share in self._mosaic().items():
            image[row::2, column::2] *= share
        return image

    @cached_property
    def mean_response(self) -> float:
        """Mean of `response`, without building it."""
        shares = list(self._mosaic().values()) or [1.0]
        return float(self._corners(41, 41).mean()) * sum(shares) / len(shares)

    @cached_property
    def hot(self) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
        """Flat indices of hot pixels and their dark current relative to an ordinary one."""
        rng = generator(self.seed, "hot")
        count = round(self.options.hot_share * self.options.width_px * self.options.height_px)
        row = rng.integers(0, self.height_px * self.binning, count) // self.binning
        column = rng.integers(0, self.width_px * self.binning, count) // self.binning
        times = np.float32(30.0) * rng.pareto(1.2, count).astype(np.float32)
        return row * self.width_px + column, np.minimum(times, np.float32(20_000.0))

    def hot_at(self, began_s: float, exposure_s: float) -> NDArray[np.float32]:
        """Return the dark current of the hot pixels during an exposure, as `hot` counts it."""
        _, times = self.hot
        restless = times[: round(self.options.telegraph_share * len(times))]
        on = telegraph(self.seed, len(restless), began_s, exposure_s)
        return np.concatenate((restless * on.astype(np.float32), times[len(restless) :]))

    def _struck(self, light_e: Image, exposure_s: float, rng: np.random.Generator) -> None:
        """Add what cosmic rays leave in an exposure."""
        options = self.options
        row, column, electrons = cosmic_rays(
            (self.height_px * self.binning, self.width_px * self.binning),
            options.pixel_um,
            options.cosmic_rays_cm2_min,
            exposure_s,
            rng,
        )
        at = (row // self.binning, column // self.binning)
        np.add.at(light_e, at, electrons.astype(np.float32))

    def read(
        self,
        light_e: Image,
        exposure_s: float,
        sensor_c: float,
        gain: int,
        offset: int,
        rng: np.random.Generator,
        began_s: float = 0.0,
    ) -> NDArray[np.uint16]:
        """Turn light into numbers.

        Args:
            light_e: expected electrons by light in each pixel, response applied; overwritten.
            exposure_s: time that the dark current had.
            sensor_c: temperature of the sensor.
            gain: tenths of a decibel.
            offset: units of the pedestal.
            rng: of the noise. Photons and dark current as a normal distribution of equal
                variance, good from a few electrons on; below, read noise hides the difference.
            began_s: POSIX seconds at which the exposure began.

        Returns:
            Pixels in ADU, shape (H, W).
        """
        dark = self.dark_e_s(sensor_c) * exposure_s
        light_e += np.float32(dark)
        where, times = self.hot[0], self.hot_at(began_s, exposure_s)
        np.add.at(light_e.reshape(-1), where, times * np.float32(dark / self.binning**2))
        self._struck(light_e, exposure_s, generator(int(rng.integers(2**53)), "cosmic rays"))
        spread = light_e + np.float32(self.read_noise_e**2)
        np.sqrt(spread, out=spread)
        noise = rng.standard_normal(light_e.shape, dtype=np.float32)
        noise *= spread
        light_e += noise
        light_e *= np.float32(1.0 / self.electrons_per_adu(gain))
        light_e += np.float32(self.pedestal_adu(offset) + 0.5)
        np.clip(light_e, 0.0, float(self.saturation_adu(gain, offset)), out=light_e)
        return light_e.astype(np.uint16)

    def _corners(self, rows: int, columns: int) -> Image:
        y = np.linspace(-1.0, 1.0, rows, dtype=np.float32)[:, None] * np.float32(self.height_px)
        x = np.linspace(-1.0, 1.0, columns, dtype=np.float32)[None, :] * np.float32(self.width_px)
        share = (x * x + y * y) / np.float32(self.width_px**2 + self.height_px**2)
        corners = np.float32(1.0) - np.float32(self.options.corner_loss) * share
        return corners.astype(np.float32, copy=False)

    def _mosaic(self) -> dict[tuple[int, int], float]:
        if self.options.bayer is None:
            return {}
        if self.bayer is None:
            mean = sum(_MOSAIC[colour] for colour in self.options.bayer) / 4.0
            return {(row, column): mean for row in (0, 1) for column in (0, 1)}
        places = ((0, 0), (0, 1), (1, 0), (1, 1))
        return {place: _MOSAIC[c] for place, c in zip(places, self.bayer, strict=True)}
