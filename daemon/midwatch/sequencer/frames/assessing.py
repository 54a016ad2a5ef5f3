"""Assesses a light frame: the circumstances of its exposure, its measures, its grade."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from midwatch.devices.contract.kinds import FrameRef
from midwatch.imaging import Solution
from midwatch.journal.facts import FrameBegun, FrameGraded
from midwatch.orders.reading import ResolvedTarget
from midwatch.sequencer.camera import Shot
from midwatch.sequencer.duties import DutyContext
from midwatch.sequencer.frames.guide_watch import Guidance
from midwatch.sequencer.grading import LightFrame, Verdict
from midwatch.sequencer.watches import set_point_c
from midwatch.sky import airmass, moon_altaz, separation_deg, sky_brightness_mag, sun_altaz
from midwatch.sky.mounts import PierSide

__all__ = ["Assessment", "assess", "graded_fact"]

_SOLVE_RADIUS_DEG = 1.0
# Of a dark site, V magnitudes a square arcsecond. A site with lamps brightens less under the Moon
# than this lets expect, which errs towards keeping frames.
_DARK_SITE_MAG = 22.0


@dataclass(frozen=True)
class Assessment:
    """A light frame with everything that was found about it.

    Attributes:
        compared: other frames with which it was compared.
        pier_side: of the mount when it was read out.
    """

    light: LightFrame
    verdict: Verdict
    compared: int
    solution: Solution | None
    focus_position: int | None
    focuser_c: float | None
    air_c: float | None
    pier_side: PierSide


async def assess(
    context: DutyContext,
    shot: Shot,
    begun: FrameBegun,
    target: ResolvedTarget,
    guidance: Guidance,
    before_c: float | None = None,
) -> Assessment:
    """Solve, gather and judge a light frame; `before_c` is how warm the sensor was before it."""
    found = await context.solve(shot, target, _SOLVE_RADIUS_DEG)
    solution = found if isinstance(found, Solution) else None
    rig = context.rig
    weather = rig.weather.state if rig.weather is not None and not rig.weather.down else None
    light = _light(
        context, shot, begun, target, guidance, solution, weather.wind_ms if weather else None
    )
    if before_c is not None and shot.ref.sensor_c is not None:
        light = replace(light, sensor_drift_c=round(shot.ref.sensor_c - before_c, 2))
    verdict, compared = context.judge(light)
    focuser, mount = rig.focuser.state, rig.mount.state
    return Assessment(
        light=light,
        verdict=verdict,
        compared=compared,
        solution=solution,
        focus_position=focuser.position if focuser else None,
        focuser_c=focuser.temperature_c if focuser else None,
        air_c=weather.air_c if weather else None,
        pier_side=mount.pier_side if mount else "unknown",
    )


def _light(
    context: DutyContext,
    shot: Shot,
    begun: FrameBegun,
    target: ResolvedTarget,
    guidance: Guidance,
    solution: Solution | None,
    wind_ms: float | None,
) -> LightFrame:
    measures, ref, observer = shot.measures, shot.ref, context.observer
    middle_s = ref.began_at.timestamp() + ref.exposure_s / 2.0
    position = target.position_at(middle_s)
    alt_deg = float(observer.altaz(*position, middle_s).alt_deg)
    offset_arcsec = None
    if solution is not None:
        place = (solution.ra_deg, solution.dec_deg)
        offset_arcsec = float(separation_deg(*place, *position)) * 3600.0
    rms = guidance.rms_arcsec if guidance.guided else None
    full = measures.saturated_fraction
    return LightFrame(
        target=target.name,
        filter=begun.filter,
        exposure_s=begun.exposure_s,
        guided=guidance.guided,
        exposure_id=begun.exposure_id,
        began_utc_s=ref.began_at.timestamp(),
        gain=begun.gain,
        offset=begun.offset,
        binning=begun.binning,
        stars=measures.stars,
        hfr_px=measures.hfr_px,
        fwhm_arcsec=measures.fwhm_arcsec,
        elongation=measures.elongation,
        background_adu=measures.background_adu,
        guide_rms_arcsec=rms,
        offset_arcsec=offset_arcsec,
        altitude_deg=alt_deg,
        airmass=float(airmass(max(alt_deg, 0.0))),
        noise_adu=measures.noise_adu,
        elongation_pa_deg=_position_angle_deg(measures.elongation_deg, solution),
        guide_rms_px=None if rms is None else rms / context.analysis.scale_arcsec,
        guide_lost_percent=guidance.lost_percent,
        sky_mag=float(sky_brightness_mag(observer, *position, middle_s, _DARK_SITE_MAG)),
        sun_alt_deg=float(sun_altaz(observer, middle_s).alt_deg),
        moon_alt_deg=float(moon_altaz(observer, middle_s).alt_deg),
        full_scale_adu=ref.saturation_adu,
        saturated_percent=None if full is None else 100.0 * full,
        trails=measures.trails,
        trail_length_px=measures.trail_length_px,
        wind_ms=wind_ms,
        sensor_off_c=_sensor_off_c(context, ref),
    )


def _sensor_off_c(context: DutyContext, ref: FrameRef) -> float | None:
    wanted_c = set_point_c(context.night.rig.camera, context.record)
    return None if wanted_c is None or ref.sensor_c is None else ref.sensor_c - wanted_c


def _position_angle_deg(angle_deg: float | None, solution: Solution | None) -> float | None:
    """Return the angle of a direction on the frame (from +x towards +y) east of north, 0 to 180."""
    if angle_deg is None or solution is None:
        return None
    dx, dy = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    (xx, xy), (yx, yy) = solution.cd
    return math.degrees(math.atan2(xx * dx + xy * dy, yx * dx + yy * dy)) % 180.0


def graded_fact(context: DutyContext, shot: Shot, assessed: Assessment) -> FrameGraded:
    """Return what the journal keeps of an assessment."""
    light, verdict = assessed.light, assessed.verdict
    grading = context.night.rig.grading
    return FrameGraded(
        exposure_id=light.exposure_id,
        grade=verdict.grade,
        reasons=verdict.reasons,
        stars=light.stars,
        hfr_px=light.hfr_px,
        fwhm_arcsec=light.fwhm_arcsec,
        elongation=light.elongation,
        background_adu=light.background_adu,
        guide_rms_arcsec=light.guide_rms_arcsec,
        guided=light.guided,
        altitude_deg=light.altitude_deg,
        focus_position=assessed.focus_position,
        sensor_c=shot.ref.sensor_c,
        sensor_off_c=light.sensor_off_c,
        sensor_drift_c=light.sensor_drift_c,
        beyond_darks=abs(light.sensor_drift_c or 0.0) > grading.max_sensor_off_c,
        offset_arcsec=light.offset_arcsec,
        noise_adu=light.noise_adu,
        airmass=light.airmass,
        star_share=verdict.star_share,
        elongation_pa_deg=light.elongation_pa_deg,
        sky_mag=light.sky_mag,
        full_scale_adu=light.full_scale_adu,
        saturated_percent=light.saturated_percent,
        saturated_stars=shot.measures.saturated_stars,
        trails=light.trails,
        guide_lost_percent=light.guide_lost_percent,
        wind_ms=light.wind_ms,
        electrons_per_adu=shot.ref.electrons_per_adu,
        compared=assessed.compared,
        doubt_counts=grading.doubtful == "count",
    )
