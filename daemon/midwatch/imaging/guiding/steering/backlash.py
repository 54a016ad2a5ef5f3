"""Gears with play, and axes that stick: when a reversal is worth it, and what to add to it."""

from __future__ import annotations

import numpy as np

from midwatch.imaging.guiding.guide_settings import DeclinationCorrections
from midwatch.imaging.guiding.steering.motion_estimate import Estimate

__all__ = ["Backlash"]

# Part of a reversal's shortfall by which the play is corrected. Higher and seeing is learned.
_LEARN = 0.4
# An axis goes back only when it is off by so many standard errors, and by this part of the play,
# within bounds: play is taken up in one pulse that is never quite right. A higher bound leaves an
# axis without drift off for minutes where there is much play; a lower one turns it at every breath.
_SURE_SIGMA, _PART_OF_PLAY, _MOST_ARCSEC = 2.0, 0.15, 0.4
# Part of the motion wanted that is asked for together with the play. What turned the axis is partly
# seeing, and play that was overrated comes on top: the rest is seen by the next frame. More makes
# an axis without drift swing across its play.
_AT_A_REVERSAL = 0.3
# Where no drift holds the axis on one flank, an error is corrected only beyond so many standard
# errors, and below twice that by this part. Lower and more, and seeing pushes the axis until it has
# to go back across its play; higher and less, and a slow wander is left to itself.
_REST_SIGMA, _PART_AT_REST = 2.5, 0.5
# Reversals in a row left unanswered after which an axis is taken to be stuck that way.
_MOST_UNANSWERED = 4
_LARGEST_ARCSEC = 60.0


class Backlash:
    """Decides reversals of one axis and learns the play from how they are answered."""

    def __init__(
        self, play_arcsec: float, ways: DeclinationCorrections, least_arcsec: float
    ) -> None:
        """Begin with the play of the calibration.

        Args:
            play_arcsec: Motor motion lost when the axis reverses.
            ways: Which ways the axis may go.
            least_arcsec: Smallest correction.
        """
        self.play_arcsec = play_arcsec
        self.ways = ways
        self.one_way = ways == "against_drift"
        self._least_arcsec = least_arcsec
        self._side = 0.0
        self._pending_arcsec = 0.0
        self._before = (0.0, 0.0)
        self._drift_side = 0.0
        self._asked: tuple[float, float] | None = None
        self._unanswered = 0

    def taken_up(self, slack_arcsec: float) -> None:
        """Note that so much of the play was crossed; what is left is asked for again."""
        self._pending_arcsec = max(self._pending_arcsec - slack_arcsec, 0.0)

    def take_back(self) -> None:
        """Note that the motion last planned was not performed."""
        self._side, self._pending_arcsec = self._before
        self._asked = None

    def worth_correcting(
        self, wanted_arcsec: float, sigma_arcsec: float, drift_arcsec_s: float | None
    ) -> float:
        """Return how much of a wanted motion is worth making on an axis with play.

        Against a proven drift: all, since the axis goes on that way. Else only what is surely no
        seeing, for what is overdone has to be undone across the play.

        Args:
            wanted_arcsec: Motion that would bring the error to zero.
            sigma_arcsec: Its standard error.
            drift_arcsec_s: Drift of the uncorrected axis that is proven, 0 for none; None while
                it was watched for too short a time to say.
        """
        if self.play_arcsec <= self._least_arcsec or drift_arcsec_s is None:
            return wanted_arcsec
        if wanted_arcsec * drift_arcsec_s < 0.0:
            return wanted_arcsec
        sure = max(self._least_arcsec, _REST_SIGMA * sigma_arcsec)
        if abs(wanted_arcsec) < sure:
            return 0.0
        onwards = wanted_arcsec * self._side > 0.0 and self._pending_arcsec == 0.0
        if onwards and abs(wanted_arcsec) < 2.0 * sure:
            return _PART_AT_REST * wanted_arcsec
        return wanted_arcsec

    def plan(
        self, wanted_arcsec: float, sigma_arcsec: float, drift_arcsec_s: float
    ) -> tuple[float, float]:
        """Return the motion to ask for and the motor motion to add, with the same sign.

        Play is crossed first; `taken_up` says how much of it was.

        Args:
            wanted_arcsec: Motion that would bring the error to zero.
            sigma_arcsec: Its standard error.
            drift_arcsec_s: Drift of the uncorrected axis, which a one-way axis works against.
        """
        self._asked, self._before = None, (self._side, self._pending_arcsec)
        if self.ways == "none" or wanted_arcsec == 0.0:
            return 0.0, 0.0
        side = float(np.sign(wanted_arcsec))
        if self.one_way:
            if self._drift_side == 0.0 or abs(drift_arcsec_s) > 0.005:
                self._drift_side = -float(np.sign(drift_arcsec_s))
            if side != self._drift_side and abs(wanted_arcsec) < 10.0 * self._least_arcsec:
                return 0.0, 0.0
        if self._side == 0.0:
            # Which flank the gears rest on is not known: no play is added that may not be there.
            self._side = side
            return wanted_arcsec, 0.0
        if side == self._side:
            return wanted_arcsec, side * self._pending_arcsec
        bound = max(
            self._least_arcsec,
            _SURE_SIGMA * sigma_arcsec,
            min(_PART_OF_PLAY * self.play_arcsec, _MOST_ARCSEC),
        )
        if abs(wanted_arcsec) < bound:
            return 0.0, 0.0
        self._side = side
        wanted_arcsec *= _AT_A_REVERSAL
        self._asked = (wanted_arcsec, side)
        # Half way through the play it is as far back as it was forth.
        self._pending_arcsec = max(self.play_arcsec - self._pending_arcsec, 0.0)
        return wanted_arcsec, side * self._pending_arcsec

    def observe(self, measured_arcsec: float, expected: Estimate) -> None:
        """Learn from the first measurement after a reversal.

        Args:
            measured_arcsec: Error measured.
            expected: Error expected with the reversal done as asked.
        """
        if self._asked is None:
            return
        wanted, side = self._asked
        self._asked = None
        if self._pending_arcsec > 0.0:
            return  # a pulse too short to cross the play says nothing about it
        # Positive: the axis fell short of what was asked.
        short = -side * (measured_arcsec - expected.place_arcsec)
        if short > 0.8 * abs(wanted):
            self._unanswered += 1
        else:
            self._unanswered = 0
        if self.ways == "automatic" and self._unanswered >= _MOST_UNANSWERED:
            self.one_way = True
        # What one pulse can be in doubt about is bounded, or a gust would become play.
        step = _LEARN * float(np.clip(short, -2.0, 2.0))
        self.play_arcsec = float(np.clip(self.play_arcsec + step, 0.0, _LARGEST_ARCSEC))
