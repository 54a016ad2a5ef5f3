"""Samples of a focus run: what was measured where, and which of it wind or cloud has spoiled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import median

from midwatch.imaging.focus.curve import FocusFit, fit_focus_curve

__all__ = ["FocusMeasure", "FocusSample", "fit_samples", "mark_spoiled"]

# The radius of a curve that opens upwards lies below the chord of its neighbours. A sample that
# lies above it by this share was shaken. Less: noise is called wind; more: gusts bend the curve.
_ABOVE_CHORD = 0.15
# A sharper star is not found less often than a blurred one. A sample that shows fewer than this
# share of the stars of a more blurred one, or of the usual light, lies under cloud.
_CLOUDED_STARS, _CLOUDED_FLUX = 0.5, 0.6
# Radii further up than this, in multiples of the smallest, bear on nothing: a star so large is cut
# off by its neighbours and by the background, and is no longer on the curve.
_HIGHEST_FITTED = 6.0
# Short exposures do not repeat better than this, however many stars they have (common practice).
_LEAST_ERROR = 0.03


@dataclass(frozen=True, slots=True)
class FocusMeasure:
    """What a frame at one position shows.

    Attributes:
        hfr_px: half-flux radius of its stars; None where too few were found.
        sigma_px: its standard deviation, where known.
        stars: stars found.
        flux_adu: light of its brightest stars, where known; it falls under cloud and not by
            defocus.
        exposure_s: only stars and light of equal exposures are compared.
    """

    hfr_px: float | None
    sigma_px: float | None = None
    stars: int = 0
    flux_adu: float | None = None
    exposure_s: float = 1.0


@dataclass(frozen=True, slots=True)
class FocusSample:
    """A measure with its position; `spoiled` says by what, or is empty."""

    position: int
    measure: FocusMeasure
    spoiled: str = ""

    @property
    def hfr_px(self) -> float:
        """Half-flux radius, NaN where no stars were found."""
        return float("nan") if self.measure.hfr_px is None else self.measure.hfr_px

    @property
    def sigma_px(self) -> float:
        """Standard deviation of the radius, at least the usual share of it."""
        return max(_LEAST_ERROR * self.hfr_px, self.measure.sigma_px or 0.0)


def mark_spoiled(samples: list[FocusSample]) -> list[FocusSample]:
    """Return the samples, those under cloud or shaken by wind marked as such.

    Cloud is judged by stars and light, wind by a radius above the chord of its neighbours'.
    """
    cleared = [replace(sample, spoiled="") for sample in samples]
    seen = [sample for sample in cleared if sample.measure.hfr_px is not None]
    marked: dict[int, str] = {}
    for index, sample in enumerate(cleared):
        if sample.measure.hfr_px is None:
            # Where a more blurred frame shows stars, this one has to show them too; what lies
            # beyond all others may be too blurred to be found.
            inside = any(s.position < sample.position for s in seen) and any(
                s.position > sample.position for s in seen
            )
            marked[index] = "no stars" if inside else ""
        elif _clouded(sample, seen):
            marked[index] = "cloud"
    clear = sorted(
        (s.position, i)
        for i, s in enumerate(cleared)
        if s.measure.hfr_px is not None and i not in marked
    )
    for (_, before), (_, here), (_, after) in zip(clear, clear[1:], clear[2:], strict=False):
        low, mid, high = cleared[before], cleared[here], cleared[after]
        if not low.position < mid.position < high.position:
            continue
        share = (mid.position - low.position) / (high.position - low.position)
        chord = low.hfr_px + share * (high.hfr_px - low.hfr_px)
        if mid.hfr_px > chord * (1.0 + _ABOVE_CHORD):
            marked[here] = "wind"
    return [
        replace(sample, spoiled=marked[index]) if marked.get(index) else sample
        for index, sample in enumerate(cleared)
    ]


def _clouded(sample: FocusSample, seen: list[FocusSample]) -> bool:
    seen = [s for s in seen if s.measure.exposure_s == sample.measure.exposure_s]
    blurred = [s.measure.stars for s in seen if s.hfr_px > 1.1 * sample.hfr_px]
    if blurred and sample.measure.stars < _CLOUDED_STARS * max(blurred):
        return True
    fluxes = [s.measure.flux_adu for s in seen if s.measure.flux_adu is not None]
    flux = sample.measure.flux_adu
    # Two say only that they differ.
    return flux is not None and len(fluxes) >= 3 and flux < _CLOUDED_FLUX * median(fluxes)


def fit_samples(samples: list[FocusSample]) -> FocusFit:
    """Fit the curve to what is near focus and neither clouded nor shaken.

    A clouded radius is still true where stars were left, and is used with a larger error.
    """
    usable = [s for s in samples if s.measure.hfr_px is not None and s.spoiled != "wind"]
    if not usable:
        return fit_focus_curve([], [])
    floor = min(s.hfr_px for s in usable)
    near = [s for s in usable if s.hfr_px <= _HIGHEST_FITTED * floor]
    return fit_focus_curve(
        [float(s.position) for s in near],
        [s.hfr_px for s in near],
        [s.sigma_px * (3.0 if s.spoiled else 1.0) for s in near],
    )
