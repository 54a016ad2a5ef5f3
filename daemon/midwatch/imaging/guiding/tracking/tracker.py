"""Following the guide stars from frame to frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame
from midwatch.imaging.guiding.tracking.centroids import Centroids, measure_centroids
from midwatch.imaging.guiding.tracking.guide_stars import GuideField, find_guide_stars
from midwatch.imaging.guiding.tracking.hot_pixels import HotPixelMap
from midwatch.imaging.guiding.tracking.pattern import common_shift

__all__ = ["Shift", "Tracker"]

FloatArray = NDArray[np.float64]

# Below this signal to noise a peak in the window may be noise.
_LEAST_SNR = 6.0
# How far a star may be from where it is expected, in widths and at least in pixels: wide enough
# for a gust, too narrow to reach another star in most fields.
_SEARCH_FWHM, _SEARCH_PX = 2.5, 6.0
# Light that a star may have gained or lost against its own past before it is another object.
# Cloud takes much from all stars alike and is taken out first.
_LIGHT = (0.3, 3.0)
# Slow shift of a star's own home towards where it is seen relative to the others: takes up
# differential refraction and field rotation. Higher and the homes follow the seeing.
_HOME_GAIN = 0.02
# Frames a star may be missing while others are seen before it is given up.
_PATIENCE = 8
# Frames over which the home of a new star is averaged before it takes part.
_APPRENTICE = 6
# Frames between two looks for new stars.
_LOOK_EVERY = 20


@dataclass(frozen=True, eq=False)
class Shift:
    """Displacement of the stars from their target.

    Attributes:
        x_px: Along a row.
        y_px: Along a column.
        covariance_px2: Of both, shape (2, 2), from photons, noise and the scatter of the stars
            about their mean. Motion that all stars share is not in it.
        used: Stars that took part.
        snr: Signal to noise of the brightest of them.
        hfr_px: Half-flux radius of the brightest; NaN when it could not be measured.
        light: Light of the stars relative to when they were chosen; cloud lowers it.
    """

    x_px: float
    y_px: float
    covariance_px2: FloatArray
    used: int
    snr: float
    hfr_px: float
    light: float


class Tracker:
    """Measures where a field of stars has gone, and finds it again when it was lost."""

    def __init__(
        self,
        field: GuideField,
        *,
        hot: HotPixelMap | None = None,
        most: int = 12,
        edge_px: int = 20,
        reacquire_px: float = 12.0,
        gain_e_adu: float = 1.0,
    ) -> None:
        """Take up stars where they are now.

        Args:
            field: The stars, at least one.
            hot: Hot pixels, cleaned from each frame.
            most: Stars to follow when others must be looked for.
            edge_px: Least distance of new stars from the edge.
            reacquire_px: Radius of the first search after a loss; grows by half with each frame.
            gain_e_adu: Electrons a unit of the pixels.

        Raises:
            ValueError: The field holds no star.
        """
        if len(field) == 0:
            raise ValueError("there is no star to follow")
        self._field = field
        self._hot, self._most, self._edge_px = hot, most, edge_px
        self._reacquire_px, self._gain_e_adu = reacquire_px, gain_e_adu
        self._home = np.stack([field.x_px, field.y_px], axis=1)
        self._light = field.flux_adu.copy()
        self._missing = np.zeros(len(field), dtype=int)
        self._age = np.full(len(field), _APPRENTICE)
        self._calibrated_light = False
        self._target = np.zeros(2)
        self._lost = 0
        self._since_look = 0
        self.lost_reason = ""
        self.replaced = 0

    @property
    def count(self) -> int:
        """Stars followed."""
        return len(self._home)

    @property
    def lost_frames(self) -> int:
        """Frames in a row without a star."""
        return self._lost

    @property
    def target_px(self) -> tuple[float, float]:
        """How far the target has been moved from where the stars were chosen."""
        return float(self._target[0]), float(self._target[1])

    def move_target(self, dx_px: float, dy_px: float) -> None:
        """Shift where the stars should be, for a dither."""
        self._target = self._target + np.array([dx_px, dy_px])

    def measure(
        self, frame: Frame, expected_shift_px: tuple[float, float] = (0.0, 0.0)
    ) -> Shift | None:
        """Measure the displacement from the target.

        Args:
            frame: A frame of the shape that the stars were chosen on.
            expected_shift_px: Where the stars are expected relative to the target.

        Returns:
            The displacement; None when no star was found, with `lost_reason` saying why.
        """
        data = frame.data if self._hot is None else self._hot.clean(frame.data)
        expected = np.asarray(expected_shift_px, dtype=np.float64)
        fwhm = self._field.fwhm_px
        search = max(_SEARCH_FWHM * fwhm, _SEARCH_PX)
        if self._lost:
            found = self._found_again(frame, expected)
            if found is None:
                self._note_loss("no pattern of stars within reach matches")
                return None
            expected, search = found, max(2.0, 0.7 * fwhm)
        places = self._home + self._target + expected
        seen = measure_centroids(data, places[:, 0], places[:, 1], fwhm, search, self._gain_e_adu)
        good = self._plausible(seen, data, frame.saturation_adu)
        if not good.any():
            self._note_loss(_why(seen))
            return None
        shift, used = self._combine(seen, good, data)
        self._lost = 0
        self.lost_reason = ""
        self._learn(seen, used, shift)
        self._renew(frame, shift)
        return shift

    def _note_loss(self, reason: str) -> None:
        self._lost += 1
        self.lost_reason = reason

    def _found_again(self, frame: Frame, expected: FloatArray) -> FloatArray | None:
        """Return the displacement of the whole pattern, by vote among all stars of the frame."""
        radius = min(self._reacquire_px * 1.5 ** (self._lost - 1), float(max(frame.data.shape)))
        seen = find_guide_stars(
            frame, most=4 * self._most, edge_px=4, hot=self._hot, gain_e_adu=self._gain_e_adu
        )
        return common_shift(
            self._home + self._target,
            self._light,
            np.stack([seen.x_px, seen.y_px], axis=1),
            seen.flux_adu,
            expected,
            radius,
        )

    def _plausible(
        self, seen: Centroids, data: NDArray[np.uint16], full_adu: float
    ) -> NDArray[np.bool_]:
        good: NDArray[np.bool_] = np.isfinite(seen.x_px) & (seen.snr >= _LEAST_SNR)
        # A single pixel is no star, whatever the map of hot pixels knows.
        good &= seen.sharpness < 0.9
        if not good.any():
            return good
        full = (
            data[
                np.rint(np.where(good, seen.y_px, 0)).astype(int),
                np.rint(np.where(good, seen.x_px, 0)).astype(int),
            ]
            >= full_adu
        )
        good &= ~full
        if self._calibrated_light and good.sum() > 2:
            ratio = seen.flux_adu / self._light
            ratio = ratio / np.median(ratio[good])
            good &= (ratio > _LIGHT[0]) & (ratio < _LIGHT[1])
        return good

    def _combine(
        self, seen: Centroids, good: NDArray[np.bool_], data: NDArray[np.uint16]
    ) -> tuple[Shift, NDArray[np.bool_]]:
        """Return the robust weighted mean of the displacements, and which stars took part."""
        moved = np.stack([seen.x_px, seen.y_px], axis=1) - self._home - self._target
        voting = good & (self._age >= _APPRENTICE)
        if not voting.any():
            voting = good
        error2 = seen.error_px**2
        # Two stars that disagree: the brighter is right. More: the median decides.
        if voting.sum() <= 2:
            best = int(np.argmax(np.where(voting, seen.snr, -np.inf)))
            middle = moved[best]
        else:
            middle = np.median(moved[voting], axis=0)
        away = np.hypot(*(moved - middle).T)
        spread = 1.4826 * float(np.median(away[voting])) if voting.sum() > 2 else 0.0
        bound = max(3.0 * spread, 0.5) + 3.0 * np.sqrt(error2)
        used = voting & (np.nan_to_num(away, nan=np.inf) <= bound)
        scatter2 = _scatter2(moved[used], error2[used])
        weight = 1.0 / (error2[used] + scatter2)
        weight /= weight.sum()
        mean = weight @ moved[used]
        variance = float((weight**2 * (error2[used] + scatter2)).sum())
        best = int(np.argmax(np.where(used, seen.snr, -np.inf)))
        shift = Shift(
            float(mean[0]),
            float(mean[1]),
            variance * np.eye(2),
            int(used.sum()),
            float(seen.snr[best]),
            _hfr(data, float(seen.x_px[best]), float(seen.y_px[best]), self._field.fwhm_px),
            float(np.median(seen.flux_adu[used] / self._light[used]))
            if self._calibrated_light
            else 1.0,
        )
        return shift, used

    def _learn(self, seen: Centroids, used: NDArray[np.bool_], shift: Shift) -> None:
        """Note light and homes of the stars that were seen."""
        if not self._calibrated_light:
            # The window's light differs from the aperture's by a factor that only pixels show.
            self._light = np.where(used, seen.flux_adu, self._light)
            self._calibrated_light = True
        place = np.stack([seen.x_px, seen.y_px], axis=1) - self._target
        own = place - (shift.x_px, shift.y_px) - self._home
        # What is seen but does not move with the others is as good as missing: a defect.
        near = (seen.snr >= _LEAST_SNR) & (np.hypot(*np.nan_to_num(own, nan=np.inf).T) < 2.0)
        self._missing = np.where(near, 0, self._missing + 1)
        young = self._age < _APPRENTICE
        gain = np.where(young, 1.0 / (self._age + 1.0), np.where(used, _HOME_GAIN, 0.0))
        self._home = np.where(near[:, None], self._home + gain[:, None] * own, self._home)
        self._age = np.where(near, np.minimum(self._age + 1, _APPRENTICE), self._age)

    def _renew(self, frame: Frame, shift: Shift) -> None:
        """Drop stars long unseen and look for others when few are left."""
        keep = self._missing <= _PATIENCE
        if keep.any() and not keep.all():
            self._home, self._light = self._home[keep], self._light[keep]
            self._missing, self._age = self._missing[keep], self._age[keep]
        self._since_look += 1
        wanted = min(self._most, len(self._field))
        if len(self._home) > wanted // 2 or self._since_look < _LOOK_EVERY or wanted < 2:
            return
        self._since_look = 0
        seen = find_guide_stars(
            frame,
            most=self._most,
            edge_px=self._edge_px,
            hot=self._hot,
            gain_e_adu=self._gain_e_adu,
        )
        if len(seen) == 0:
            return
        place = np.stack([seen.x_px, seen.y_px], axis=1)
        home = place - self._target - (shift.x_px, shift.y_px)
        far = np.hypot(*(home[:, None] - self._home[None]).transpose(2, 0, 1)).min(axis=1) > 5.0
        home = home[far][: self._most - len(self._home)]
        light = seen.flux_adu[far][: self._most - len(self._home)]
        self._home = np.concatenate([self._home, home])
        self._light = np.concatenate([self._light, light * max(shift.light, 0.1)])
        self._missing = np.concatenate([self._missing, np.zeros(len(home), dtype=int)])
        self._age = np.concatenate([self._age, np.zeros(len(home), dtype=int)])
        self.replaced += len(home)


def _why(seen: Centroids) -> str:
    if not np.isfinite(seen.x_px).any():
        return "no peak rests in any window"
    return f"brightest star has a signal to noise of {float(np.nanmax(seen.snr)):.1f}"


def _scatter2(moved: FloatArray, error2: FloatArray) -> float:
    """Return the variance an axis of single stars beyond their photon errors.

    The air moves stars apart from each other, which photon errors do not know; with equal weights
    for bright stars that move alike the mean gains from each of them.
    """
    if len(moved) < 3:
        return 0.0
    return max(float(moved.var(axis=0, ddof=1).mean() - error2.mean()), 0.0)


def _hfr(data: NDArray[np.uint16], x_px: float, y_px: float, fwhm_px: float) -> float:
    """Return the half-flux radius of one star about its centre, in pixels."""
    import sep

    half = int(np.ceil(3.0 * fwhm_px)) + 2
    column, row = round(x_px), round(y_px)
    top, left = max(row - half, 0), max(column - half, 0)
    stamp = data[top : row + half + 1, left : column + half + 1].astype(np.float32)
    stamp -= np.median(np.concatenate([stamp[0], stamp[-1], stamp[:, 0], stamp[:, -1]]))
    radius, flag = sep.flux_radius(
        np.ascontiguousarray(stamp), [x_px - left], [y_px - top], [3.0 * fwhm_px], 0.5, subpix=5
    )
    return float(radius[0]) if flag[0] == 0 and radius[0] > 0 else float("nan")
