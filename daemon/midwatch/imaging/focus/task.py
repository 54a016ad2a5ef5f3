"""What a focus run is given, and how fast stars grow away from focus.

How fast follows from optics and pixels alone: over one critical focus zone, 4.88 lambda N^2 in
all, the blur's radius grows by 2.44 lambda N, and the half-flux radius of a uniform disc is
1/sqrt(2) of its radius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["FocusTask", "zone_blur_px"]


def zone_blur_px(wavelength_nm: float, f_ratio: float, pixel_um: float) -> float:
    """Return by how much one critical focus zone enlarges the half-flux radius, far from focus.

    2.44 lambda N / sqrt(2): the zone is 4.88 lambda N^2, defocus over N is the blur's diameter,
    and half the light of a uniform disc is inside 0.7071 of its radius. A central obstruction
    makes it up to 6 percent more (0.7492 at 35 percent), which is left out.
    """
    return 2.44e-3 * wavelength_nm * f_ratio / math.sqrt(2.0) / pixel_um


@dataclass(frozen=True, slots=True)
class FocusTask:
    """What a search is given.

    Attributes:
        start: where focus is expected.
        step: distance of samples that the rig file gives.
        zone_steps: total depth of the critical focus zone; None where the focuser's steps are
            not known in micrometres: it is then taken from the curve itself.
        blur_px: as `zone_blur_px` gives.
        lowest, highest: positions that may be sampled.
        expected_hfr_px: at focus, where known.
    """

    start: int
    step: int
    zone_steps: float | None
    blur_px: float
    lowest: int
    highest: int
    expected_hfr_px: float | None = None

    @property
    def zone_guess(self) -> float:
        """Zone in steps; samples are usually set up about that far apart."""
        return self.zone_steps if self.zone_steps is not None else float(self.step)

    @property
    def slope_guess(self) -> float:
        """Radius gained a step, far from focus."""
        return self.blur_px / self.zone_guess
