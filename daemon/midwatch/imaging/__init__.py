"""From pixels to numbers: the frame, its place on the sky, its noise, where it is measured."""

from midwatch.imaging.exposure_noise import (
    pair_noise,
    shortest_sub_s,
    signal_to_noise,
    sky_rate_e_s,
)
from midwatch.imaging.frame import Frame
from midwatch.imaging.measurer import InlineMeasurer, Measurer, ProcessMeasurer
from midwatch.imaging.wcs import Solution

__all__ = [
    "Frame", "InlineMeasurer", "Measurer", "ProcessMeasurer", "Solution", "pair_noise",
    "shortest_sub_s", "signal_to_noise", "sky_rate_e_s",
]  # fmt: skip
