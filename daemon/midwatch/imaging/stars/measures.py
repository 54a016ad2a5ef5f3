"""What one frame says about sky, focus and tracking."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as given_by

from midwatch.imaging.stars.star_table import StarTable
from midwatch.imaging.stars.trails import Trail
from midwatch.imaging.stars.zones import FieldShape, Zone

__all__ = ["StarMeasures", "without_stars"]


@dataclass(frozen=True, eq=False)
class StarMeasures:
    """What one frame says about sky, focus and tracking.

    Numbers that the frame cannot give are NaN: without good stars there is no HFR.

    Attributes:
        count: Stars found, before the table was cut to the brightest.
        good_count: Stars of the table fit for judging sharpness.
        hfr_px: Median half-flux radius of the good stars, without the width of the pixel.
        hfr_scatter_px: Robust standard deviation of one star's half-flux radius.
        fwhm_px: Full width at half maximum of the brightest good stars, by a Moffat fit, the
            geometric mean of both axes; of discs far out of focus, their diameter.
        fwhm_arcsec: The same on the sky; NaN where the scale is not known.
        elongation: Long over short axis common to the bright stars; 1 is round.
        elongation_deg: Direction of that long axis from +x towards +y, -90 to 90.
        background_adu: Median level of the sky.
        noise_adu: Standard deviation of a frame pixel on empty sky.
        saturated_count: Stars with a full pixel.
        saturated_fraction: Share of all pixels that are full.
        stars: The brightest stars.
        gradient_x_adu: Rise of the sky from the left edge to the right one.
        gradient_y_adu: Rise of the sky from the first row to the last one.
        zones: The nine thirds of thirds of the frame, row by row; empty where nothing was
            measured.
        field: Tilt and curvature.
        trails: Straight trails of satellites and aircraft.
    """

    count: int
    good_count: int
    hfr_px: float
    hfr_scatter_px: float
    fwhm_px: float
    fwhm_arcsec: float
    elongation: float
    elongation_deg: float
    background_adu: float
    noise_adu: float
    saturated_count: int
    saturated_fraction: float
    stars: StarTable
    gradient_x_adu: float = 0.0
    gradient_y_adu: float = 0.0
    zones: tuple[Zone, ...] = ()
    field: FieldShape = given_by(default_factory=FieldShape)
    trails: tuple[Trail, ...] = ()


def without_stars(level: float, noise: float, saturated_fraction: float) -> StarMeasures:
    """Return the measures of a frame in which nothing can be measured."""
    unknown = float("nan")
    return StarMeasures(
        count=0,
        good_count=0,
        hfr_px=unknown,
        hfr_scatter_px=unknown,
        fwhm_px=unknown,
        fwhm_arcsec=unknown,
        elongation=unknown,
        elongation_deg=unknown,
        background_adu=level,
        noise_adu=noise,
        saturated_count=0,
        saturated_fraction=saturated_fraction,
        stars=StarTable(),
    )
