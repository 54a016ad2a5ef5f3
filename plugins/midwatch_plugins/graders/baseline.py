"""Judges light frames against absolute bounds and the night's own earlier frames."""

from __future__ import annotations

import statistics
from typing import ClassVar

from midwatch.api import Grade, Light, Verdict

# Earlier frames that make a baseline. With fewer, only the absolute bounds are applied.
_BASELINE = 3
# Common practice, no source. Stricter bounds throw good frames away; looser ones let clouds,
# slipped focus and trailed stars through.
_FEWEST_STARS = 5
_MOST_ELONGATED = 1.6
_DOUBTFUL_ELONGATION = 1.4
_STAR_LOSS = 0.45
_HFR_GROWTH = 1.5
_MOST_OFFSET_ARCSEC = 600.0


class Baseline:
    """The shipped grader."""

    name: ClassVar[str] = "baseline"

    def grade(self, light: Light, earlier: tuple[Light, ...]) -> Verdict:
        """Reject what cannot be used, doubt what might, accept the rest."""
        bad: list[str] = []
        odd: list[str] = []
        if light.stars is None or light.stars < _FEWEST_STARS:
            bad.append(f"only {light.stars or 0} stars")
        if light.elongation is not None and light.elongation > _DOUBTFUL_ELONGATION:
            text = f"stars are elongated, {light.elongation:.2f}"
            (bad if light.elongation > _MOST_ELONGATED else odd).append(text)
        if light.offset_arcsec is not None and light.offset_arcsec > _MOST_OFFSET_ARCSEC:
            bad.append(f"the target is {light.offset_arcsec:.0f} arcsec from the centre")
        stars = [other.stars for other in earlier if other.stars is not None]
        if len(stars) >= _BASELINE and light.stars is not None:
            usual = statistics.median(stars)
            if light.stars < _STAR_LOSS * usual:
                bad.append(f"{light.stars} stars where {usual:.0f} are usual: clouds or obstacle")
        sizes = [other.hfr_px for other in earlier if other.hfr_px is not None]
        if len(sizes) >= _BASELINE and light.hfr_px is not None:
            usual = statistics.median(sizes)
            if light.hfr_px > _HFR_GROWTH * usual:
                bad.append(f"star size {light.hfr_px:.2f} px where {usual:.2f} px are usual")
        grade: Grade = "rejected" if bad else "doubtful" if odd else "accepted"
        return Verdict(grade, tuple(bad + odd))
