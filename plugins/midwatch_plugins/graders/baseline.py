"""Judges light frames by absolute bounds and by the night's own frames of the same kind."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from midwatch.api.grader import Grade, GradingSettings, LightFrame, Verdict
from midwatch_plugins.graders.usual import ENOUGH, Usual, usual_for

# From this share of a bound on a frame is doubted. Lower: good frames are taken twice for nothing;
# at 1 nothing is ever doubted.
_DOUBT = 0.8
# A bound below the night's own scatter would reject good frames: so many deviations pass, but never
# much more than the bound, or a spoilt night would let everything pass.
_SIGMAS, _WIDEST = 4.0, 1.25
# Even a clear sky gives another number of stars each time where they are few.
_COUNT_SIGMAS = 2.0
# Directions this near to an axis of the mount are called by it, degrees.
_ALONG_DEG = 25.0
_WINDY_MS = 6.0
_DARK_SUN_DEG = -18.0


@dataclass(frozen=True)
class _Finding:
    """How far a frame goes towards a bound, 1 being there, and in words."""

    share: float
    text: str


class Baseline:
    """The shipped grader."""

    name: ClassVar[str] = "baseline"

    def grade(
        self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
    ) -> Verdict:
        """Reject what is past a bound, doubt what is close to one, accept the rest."""
        usual = usual_for(light, others)
        findings = [
            *_light_of_stars(light, usual, bounds),
            *_shape(light, usual, bounds),
            *_level(light, usual, bounds),
            *_following(light, bounds),
            *_field(light, usual, bounds),
            *_warmth(light, bounds),
        ]
        weighty = sorted((f for f in findings if f.share >= _DOUBT), key=lambda f: -f.share)
        worst = weighty[0].share if weighty else 0.0
        grade: Grade = "rejected" if worst >= 1.0 else "doubtful" if weighty else "accepted"
        reasons = tuple(finding.text for finding in weighty)
        share = light.stars / usual.stars if light.stars is not None and usual.stars else None
        return Verdict(grade, reasons or (_in_order(len(others)),), share)


def _in_order(others: int) -> str:
    if others < ENOUGH:
        return f"inside all bounds; too few others to compare ({others})"
    return f"inside all bounds and like {others} others"


def _light_of_stars(light: LightFrame, usual: Usual, bounds: GradingSettings) -> Iterator[_Finding]:
    """Clouds, dew and obstacles take stars away."""
    stars = light.stars or 0
    if stars < bounds.min_stars:
        yield _Finding(2.0, f"{stars} stars, at least {bounds.min_stars} wanted")
    if usual.stars is None:
        return
    lost = 1.0 - stars / usual.stars
    most = bounds.max_star_loss_percent / 100.0
    scatter = min(_SIGMAS * usual.stars_scatter, _WIDEST * most)
    chance = min(_COUNT_SIGMAS / math.sqrt(usual.stars), 0.95)
    most = max(most, scatter, chance)
    yield _Finding(
        lost / most,
        f"{stars} stars where {usual.stars:.0f} are usual at this altitude and background: cloud, "
        "dew or an obstacle",
    )


def _shape(light: LightFrame, usual: Usual, bounds: GradingSettings) -> Iterator[_Finding]:
    """Defocus, seeing, wind and bad tracking make stars large or long."""
    hfr, most_px = light.hfr_px, bounds.max_hfr_px
    if hfr is not None and most_px is not None and hfr > most_px:
        yield _Finding(hfr / most_px, f"star size {hfr:.2f} px, {most_px:g} px allowed")
    if hfr is not None and usual.hfr_px is not None:
        most = bounds.max_hfr_growth_percent / 100.0
        most = max(most, min(_SIGMAS * usual.hfr_scatter, _WIDEST * most))
        growth = hfr / usual.hfr_px - 1.0
        yield _Finding(
            growth / most,
            f"star size {hfr:.2f} px where {usual.hfr_px:.2f} px are usual at this altitude: focus "
            "or seeing",
        )
    if light.elongation is not None:
        share = (light.elongation - 1.0) / (bounds.max_elongation - 1.0)
        yield _Finding(share, f"stars {light.elongation:.2f} times as long as wide{_why(light)}")


def _why(light: LightFrame) -> str:
    """Say what kind of motion draws stars out this way."""
    windy = light.wind_ms is not None and light.wind_ms >= _WINDY_MS
    wind = f"wind of {light.wind_ms:.0f} m/s" if windy else "wind or tilt"
    angle = light.elongation_pa_deg
    if angle is None:
        return f": {wind}" if windy else ": tracking, wind or tilt"
    if abs(angle - 90.0) <= _ALONG_DEG:
        return f" along right ascension: tracking{f', or {wind}' if windy else ''}"
    if min(angle, 180.0 - angle) <= _ALONG_DEG:
        return f" along declination: polar alignment or drift{f', or {wind}' if windy else ''}"
    return f" at position angle {angle:.0f} degrees: {wind}"


def _level(light: LightFrame, usual: Usual, bounds: GradingSettings) -> Iterator[_Finding]:
    """Twilight, lamps, haze and moonlit cloud raise the background."""
    level, full = light.background_adu, light.full_scale_adu
    if level is not None and full:
        percent = 100.0 * level / full
        yield _Finding(
            percent / bounds.max_background_percent,
            f"background at {percent:.0f} % of full scale{_glow(light)}",
        )
    if level is not None and usual.background_adu:
        growth = 100.0 * (level / usual.background_adu - 1.0)
        yield _Finding(
            growth / bounds.max_background_growth_percent,
            f"background {level:.0f} ADU where {usual.background_adu:.0f} ADU are expected"
            f"{_glow(light)}",
        )
    if light.saturated_percent is not None:
        share = light.saturated_percent / bounds.max_saturated_percent
        yield _Finding(share, f"{light.saturated_percent:.1f} % of the pixels are full")


def _glow(light: LightFrame) -> str:
    if light.sun_alt_deg is not None and light.sun_alt_deg > _DARK_SUN_DEG:
        return f": twilight, Sun at {light.sun_alt_deg:.0f} degrees"
    if light.moon_alt_deg is not None and light.moon_alt_deg > 0.0:
        return ": moonlit haze or lamps"
    return ": haze or lamps"


def _following(light: LightFrame, bounds: GradingSettings) -> Iterator[_Finding]:
    """What the guider saw while the shutter was open."""
    if light.guide_rms_px is not None:
        rms = f"{light.guide_rms_px:.1f} px"
        share = light.guide_rms_px / bounds.max_guide_rms_px
        yield _Finding(share, f"guiding error {rms} RMS during the exposure")
    if light.guide_lost_percent is not None:
        yield _Finding(
            light.guide_lost_percent / bounds.max_guide_lost_percent,
            f"no guide star for {light.guide_lost_percent:.0f} % of the exposure",
        )


def _field(light: LightFrame, usual: Usual, bounds: GradingSettings) -> Iterator[_Finding]:
    """Where the frame points, and what flew through it."""
    if light.offset_arcsec is not None:
        yield _Finding(
            light.offset_arcsec / bounds.max_offset_arcsec,
            f"the target is {light.offset_arcsec:.0f} arcsec from the centre",
        )
    elif usual.solved_share > 0.5:
        # Rigs whose frames are never solved are not held against each frame.
        yield _Finding(_DOUBT, "the field could not be solved, where others could")
    if light.trails is not None and light.trails > bounds.max_trails:
        length = f", {light.trail_length_px:.0f} px long" if light.trail_length_px else ""
        yield _Finding(_DOUBT, f"trails of satellites or aircraft: {light.trails}{length}")


def _warmth(light: LightFrame, bounds: GradingSettings) -> Iterator[_Finding]:
    """Darks are taken as warm as each light was; one that was warm and cold has none."""
    drift_c = light.sensor_drift_c
    if drift_c is not None:
        way = "warmed" if drift_c > 0.0 else "cooled"
        yield _Finding(
            abs(drift_c) / bounds.max_sensor_off_c,
            f"the sensor {way} by {abs(drift_c):.1f} degC during the exposure: no dark matches",
        )
