"""How well the rig has been guided lately."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["GuideStatistics"]


@dataclass(frozen=True)
class GuideStatistics:
    """Figures over the last minutes; NaN where there is not enough to say.

    Measured errors include seeing: they are where the stars were seen. Lengths are on the sky.

    Attributes:
        count: Measurements in the window.
        stars: Stars used in the last measurement.
        snr: Signal to noise of the brightest of them.
        hfr_px: Its half-flux radius.
        rms_ra_arcsec: Root mean square distance from the target in RA, on the sky.
        rms_dec_arcsec: The same in declination.
        rms_total_arcsec: Both in quadrature.
        robust_total_arcsec: The same from the median absolute deviation, in quadrature.
        peak_arcsec: Largest distance.
        scale_arcsec_px: To turn any of them into pixels.
        mount_rms_arcsec: Estimated wander of the mount alone, seeing taken off.
        seeing_rms_arcsec: Estimated wander of the stars that the mount has no part in, an axis.
        drift_ra_arcsec_min: Drift of the uncorrected mount east.
        drift_dec_arcsec_min: Drift of the uncorrected mount north.
        period_s: Dominant period of the uncorrected RA error, when one is found.
        periodic_amplitude_arcsec: Half of its peak to peak.
        oscillation_ra: Share of successive RA corrections that change sign, rescaled so that 0 is
            what independent errors give and 1 is each correction undoing the last.
        oscillation_dec: The same in declination.
        unguided_blur_60s_arcsec: Rms blur an axis that 60 s without corrections would leave.
    """

    count: int = 0
    stars: int = 0
    snr: float = float("nan")
    hfr_px: float = float("nan")
    rms_ra_arcsec: float = float("nan")
    rms_dec_arcsec: float = float("nan")
    rms_total_arcsec: float = float("nan")
    robust_total_arcsec: float = float("nan")
    peak_arcsec: float = float("nan")
    scale_arcsec_px: float = float("nan")
    mount_rms_arcsec: float = float("nan")
    seeing_rms_arcsec: float = float("nan")
    drift_ra_arcsec_min: float = float("nan")
    drift_dec_arcsec_min: float = float("nan")
    period_s: float = float("nan")
    periodic_amplitude_arcsec: float = float("nan")
    oscillation_ra: float = float("nan")
    oscillation_dec: float = float("nan")
    unguided_blur_60s_arcsec: float = float("nan")
