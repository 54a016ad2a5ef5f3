"""How well the rig has been guided lately."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GuideHistory", "GuideStatistics", "overcorrection", "rms"]

FloatArray = NDArray[np.float64]


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
        overcorrection_ra: Share of successive RA corrections that change sign, rescaled so that 0
            is what independent errors give and 1 is each correction undoing the last.
        overcorrection_dec: The same in declination.
        unguided_blur_60s_arcsec: Rms blur, both axes in quadrature, that 60 s without corrections
            would leave.
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
    overcorrection_ra: float = float("nan")
    overcorrection_dec: float = float("nan")
    unguided_blur_60s_arcsec: float = float("nan")


def rms(values: FloatArray) -> float:
    """Return the root mean square about zero; NaN without values."""
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def robust_rms(values: FloatArray) -> float:
    """Return 1.4826 times the median distance from zero, the rms of normal errors."""
    return 1.4826 * float(np.median(np.abs(values))) if len(values) else float("nan")


def overcorrection(corrections: FloatArray) -> float:
    """Return how much successive corrections undo each other, 0 to 1.

    Of independent corrections every second one changes sign, which gives 0; when each undoes the
    last it is 1. Cycles without a correction are left out. NaN with fewer than eight.
    """
    signs = np.sign(corrections[corrections != 0])
    if len(signs) < 8:
        return float("nan")
    return float(max(2.0 * np.mean(signs[1:] != signs[:-1]) - 1.0, 0.0))


class GuideHistory:
    """Errors and corrections of the last minutes."""

    def __init__(self, window_s: float) -> None:
        self._window_s = window_s
        self._rows: deque[tuple[float, float, float, float, float]] = deque()

    def clear(self) -> None:
        """Forget all, as after a change of target."""
        self._rows.clear()

    def forget_before(self, time_s: float) -> None:
        """Forget what is older, as the way to a target once that is reached."""
        while self._rows and self._rows[0][0] < time_s:
            self._rows.popleft()

    def add(
        self,
        time_s: float,
        ra_arcsec: float,
        dec_arcsec: float,
        ra_move_arcsec: float,
        dec_move_arcsec: float,
    ) -> None:
        """Note a measurement and the corrections that followed."""
        self._rows.append((time_s, ra_arcsec, dec_arcsec, ra_move_arcsec, dec_move_arcsec))
        while self._rows[0][0] < time_s - self._window_s:
            self._rows.popleft()

    def figures(self, noise_ra_arcsec: float, noise_dec_arcsec: float) -> dict[str, float]:
        """Return those fields of `GuideStatistics` that follow from errors and corrections.

        Args:
            noise_ra_arcsec: Part of the RA errors that the mount has no part in.
            noise_dec_arcsec: The same in declination.
        """
        table = np.array(self._rows, dtype=np.float64).reshape(-1, 5)
        ra, dec = table[:, 1], table[:, 2]
        rms_ra, rms_dec = rms(ra), rms(dec)
        mount2 = rms_ra**2 + rms_dec**2 - noise_ra_arcsec**2 - noise_dec_arcsec**2
        return {
            "count": len(table),
            "rms_ra_arcsec": rms_ra,
            "rms_dec_arcsec": rms_dec,
            "rms_total_arcsec": float(np.hypot(rms_ra, rms_dec)),
            "robust_total_arcsec": float(np.hypot(robust_rms(ra), robust_rms(dec))),
            "peak_arcsec": float(np.hypot(ra, dec).max()) if len(table) else float("nan"),
            "mount_rms_arcsec": float(np.sqrt(max(mount2, 0.0))) if len(table) else float("nan"),
            "seeing_rms_arcsec": float(np.sqrt((noise_ra_arcsec**2 + noise_dec_arcsec**2) / 2.0)),
            "overcorrection_ra": overcorrection(table[:, 3]),
            "overcorrection_dec": overcorrection(table[:, 4]),
        }
