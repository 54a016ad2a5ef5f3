"""How star sizes have gone since focus was last put right, freed of what is not focus.

Each light is compared with what the first accepted lights after the focus run, of the same target
and filter, lead to expect: the part of their size that the air made grows with the air mass, and
guiding adds its own. Those first lights themselves must not have jumped compared with the run's
best frame: then the focuser has slipped in between. Lights whose stars are trailed say nothing.

A run that was asked for by star sizes and found focus where it was says that it was the seeing;
what was expected before it is raised by the growth that had asked for it.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from midwatch.devices.contract.kinds import GuiderState
from midwatch.imaging.focus import zone_blur_px
from midwatch.journal.facts import FrameGraded
from midwatch.journal.record import FocusMoment, FrameRecord, NightRecord
from midwatch.orders.models import GradingSettings, Rig
from midwatch.sky import airmass, pixel_scale_arcsec

__all__ = ["SizeScale", "size_ratios", "stars_moved", "still_size_px", "trailing"]

# Lights that make what is expected. Fewer: one gust sets it; more: focus drifts into it.
_FIRST = 2
# Lights whose median says how much stars had grown when a run was asked for.
_LATEST = 3
# A run that moved by less than this share of the critical focus zone found focus where it was.
_SAME_ZONES = 0.25
# Growth of a first light compared with the run's best frame that no seeing explains, and how soon
# after the run it must have begun. Less: a long exposure in gusts is taken for a slip, since frames
# of a run are short; more: an evening begins with a tube that has slid.
_LEAP, _SOON_S = 1.45, 1200.0
# From this share of a bound on trails on, stars are trailed; graders doubt frames from there, too.
_TRAILED = 0.8
_HFR_TRIGGER = "hfr"

_Key = tuple[str | None, str | None, int]


@dataclass(frozen=True, slots=True)
class SizeScale:
    """What the rig says of star sizes.

    Attributes:
        zone_steps: total depth of the critical focus zone.
        arcsec_per_px: of an unbinned pixel.
        sharpest_px: half-flux radius that pixel and diffraction alone leave; the air adds to it.
        binning: of frames of focus runs.
        bounds: what the rig file says of trails.
        blur_px_per_zone: growth of the half-flux radius by one zone of defocus, far from focus.
    """

    zone_steps: float
    arcsec_per_px: float
    sharpest_px: float
    binning: int = 1
    bounds: GradingSettings = field(default_factory=GradingSettings)
    blur_px_per_zone: float = 1.0

    @classmethod
    def of_rig(cls, rig: Rig, zone_steps: float) -> SizeScale:
        """Return the scale of a rig.

        An Airy disc of 550 nm is 1.03 lambda N wide at half its maximum; a pixel has the variance
        1/12 along each axis. As Gaussians: half-flux radius = width / 2, and
        sqrt(2 ln 2) sigma.
        """
        optics, pixel_um = rig.optics, rig.camera.pixel_um
        disc_px = 1.03 * 0.55 * optics.focal_length_mm / optics.aperture_mm / pixel_um
        pixel = _hfr_px(math.sqrt(1.0 / 12.0))
        scale = pixel_scale_arcsec(pixel_um, optics.focal_length_mm)
        sharpest_px = math.hypot(disc_px / 2.0, pixel)
        blur_px = zone_blur_px(550.0, optics.focal_length_mm / optics.aperture_mm, pixel_um)
        return cls(zone_steps, scale, sharpest_px, rig.camera.binning, rig.grading, blur_px)


@dataclass(frozen=True, slots=True)
class _Size:
    """The size of stars on a light, with what made it."""

    hfr_px: float
    airmass: float
    guiding_px: float


def size_ratios(
    lights: Sequence[FrameRecord], runs: Sequence[FocusMoment], scale: SizeScale
) -> tuple[float, ...]:
    """Return sizes as multiples of what is expected, of the lights since the last good run.

    Oldest first; without those that make the expectation themselves. 1 is as after the run.

    Args:
        lights: graded lights of the night, in order.
        runs: good focus runs of the night, in order.
        scale: of the rig.
    """
    expected: dict[_Key, list[_Size]] = {}
    raised: dict[_Key, _Size] = {}
    ratios: list[float] = []
    ahead = list(runs)
    last: FocusMoment | None = None
    # How much larger than in the run's own frames the seeing was shown to make stars.
    excused = 1.0
    for light in lights:
        while ahead and ahead[0].at_utc_s <= light.begun_at_utc_s:
            last = ahead.pop(0)
            growth = _excused(last, ratios, scale)
            if growth > 1.0:
                excused = max(excused, growth * (excused if not expected else 1.0))
                raised |= {key: _grown(sizes, growth) for key, sizes in expected.items()}
            expected, ratios = {}, []
        size = _size(light, scale)
        if size is None:
            continue
        key = (light.begun.target, light.begun.filter, light.begun.binning)
        first = expected.setdefault(key, [])
        if len(first) < _FIRST:
            leap = _beside_run(light, size, last, scale) / excused
            if leap >= _LEAP:
                ratios.append(leap)
            elif light.accepted:
                first.append(size)
            continue
        usual = _expected_px(_mean(first), size, scale)
        if key in raised:
            usual = max(usual, _expected_px(raised[key], size, scale))
        ratios.append(size.hfr_px / usual)
    if ahead:
        return ()  # a run has ended since the last light
    return tuple(ratios)


def stars_moved(record: NightRecord) -> bool:
    """Return whether the last light shows that the focuser moves again after a run that failed.

    Its stars are of another size than the run has seen anywhere.
    """
    moment = record.last_focus_run
    if moment is None or moment.run.ok or not moment.run.hfr_px:
        return False
    for frame in reversed(record.frames.values()):
        if frame.begun_at_utc_s < moment.at_utc_s:
            break
        if frame.is_light and frame.graded is not None and frame.graded.hfr_px is not None:
            now_px, seen_px = frame.graded.hfr_px, moment.run.hfr_px
            return not min(seen_px) / _LEAP <= now_px <= max(seen_px) * _LEAP
    return False


def trailing(guider: GuiderState | None, scale: SizeScale) -> bool:
    """Return whether guiding is so bad at present that star sizes say nothing of focus."""
    if guider is None or guider.phase != "guiding" or guider.rms_ra_arcsec is None:
        return False
    rms_arcsec = math.hypot(guider.rms_ra_arcsec, guider.rms_dec_arcsec or 0.0)
    return rms_arcsec / scale.arcsec_per_px >= _TRAILED * scale.bounds.max_guide_rms_px


def still_size_px(graded: FrameGraded, scale: SizeScale) -> float | None:
    """Return the half-flux radius of a light's stars as at the zenith and without guiding's share.

    None where it was not measured, or where stars are trailed.
    """
    size = _measured(graded, scale)
    if size is None:
        return None
    return _expected_px(size, _Size(size.hfr_px, 1.0, 0.0), scale)


def _beside_run(
    light: FrameRecord, size: _Size, last: FocusMoment | None, scale: SizeScale
) -> float:
    """Return the size of a light as a multiple of the run's own best frame; 0 if it cannot be said.

    A light long after the run, or at another setting, has its own reasons to differ.
    """
    if last is None or light.begun_at_utc_s - last.at_utc_s > _SOON_S:
        return 0.0
    best_px = last.run.confirmed_hfr_px or last.run.best_hfr_px
    alike = (light.begun.filter, light.begun.binning) == (last.run.filter, scale.binning)
    if not best_px or not alike:
        return 0.0
    return size.hfr_px / _expected_px(_Size(best_px, size.airmass, 0.0), size, scale)


def _excused(moment: FocusMoment, ratios: Sequence[float], scale: SizeScale) -> float:
    """Return the growth of stars that a run has shown not to be of focus; 1 for none."""
    run, before = moment.run, moment.before
    if run.trigger != _HFR_TRIGGER or run.best_position is None or before is None or not ratios:
        return 1.0
    if run.filter != before.filter:
        return 1.0
    if abs(run.best_position - before.position) > _SAME_ZONES * scale.zone_steps:
        return 1.0
    return statistics.median(ratios[-_LATEST:])


def _size(light: FrameRecord, scale: SizeScale) -> _Size | None:
    return None if light.graded is None else _measured(light.graded, scale)


def _measured(graded: FrameGraded, scale: SizeScale) -> _Size | None:
    if graded.hfr_px is None or graded.altitude_deg is None:
        return None
    if _trailed(graded, scale):
        return None
    mass = _airmass(graded.altitude_deg)
    if not math.isfinite(mass):
        return None
    # Both axes make up the RMS; each has its share of the spread.
    rms_px = (graded.guide_rms_arcsec or 0.0) / scale.arcsec_per_px
    return _Size(graded.hfr_px, mass, _hfr_px(rms_px / math.sqrt(2.0)))


def _trailed(graded: FrameGraded, scale: SizeScale) -> bool:
    """Return whether stars are large because the telescope did not follow them."""
    bounds = scale.bounds
    shares = (
        ((graded.elongation or 1.0) - 1.0) / (bounds.max_elongation - 1.0),
        (graded.guide_rms_arcsec or 0.0) / scale.arcsec_per_px / bounds.max_guide_rms_px,
        (graded.guide_lost_percent or 0.0) / bounds.max_guide_lost_percent,
    )
    return max(shares) >= _TRAILED


@lru_cache(maxsize=1024)
def _airmass(altitude_deg: float) -> float:
    # Every new light has all of the night looked at again.
    return float(airmass(altitude_deg))


def _mean(sizes: Sequence[_Size]) -> _Size:
    return _Size(
        statistics.fmean(size.hfr_px for size in sizes),
        statistics.fmean(size.airmass for size in sizes),
        statistics.fmean(size.guiding_px for size in sizes),
    )


def _grown(sizes: Sequence[_Size], growth: float) -> _Size:
    mean = _mean(sizes) if sizes else _Size(0.0, 1.0, 0.0)
    return replace(mean, hfr_px=mean.hfr_px * growth)


def _expected_px(first: _Size, now: _Size, scale: SizeScale) -> float:
    """Return the size that stars of `first` would have under the air and guiding of `now`.

    What neither pixel, diffraction nor guiding made is the air's, and grows with the air mass to
    the power 0.6 (Kolmogorov turbulence). Contributions add in squares.
    """
    own = min(scale.sharpest_px, first.hfr_px)
    air2 = max(0.0, first.hfr_px**2 - own**2 - first.guiding_px**2)
    rest2 = first.hfr_px**2 - air2 - first.guiding_px**2
    grown2 = air2 * (now.airmass / first.airmass) ** 1.2
    return math.sqrt(max(grown2 + rest2 + now.guiding_px**2, 1e-6))


def _hfr_px(sigma_px: float) -> float:
    """Half-flux radius of a Gaussian: sqrt(2 ln 2) sigma."""
    return math.sqrt(2.0 * math.log(2.0)) * sigma_px
