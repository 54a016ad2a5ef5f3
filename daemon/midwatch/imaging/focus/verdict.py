"""How a focus run ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from midwatch.imaging.focus.curve import FocusFit
from midwatch.imaging.focus.samples import FocusSample
from midwatch.imaging.focus.task import FocusTask

__all__ = ["FocusTrouble", "FocusVerdict", "failed", "judge_fit", "succeeded"]

FocusTrouble = Literal["no_stars", "no_focus", "unchanged", "at_end", "unconfirmed", "trailed"]

# Standard error of the minimum beyond which it is no better than where the run began, zones.
_MOST_UNCERTAIN_ZONES = 0.5
_UNCHANGED_ZONES, _UNCHANGED_RATIO = 4.0, 1.15


@dataclass(frozen=True, slots=True)
class FocusVerdict:
    """How a run ended.

    Attributes:
        trouble: what is wrong, for deciding; None when the best position may be used.
        reason: for a person.
        samples: all, in the order in which they were taken.
        coarse: whether focus first had to be found.
        best_position, uncertainty_steps, best_hfr_px, quality: of the curve; None when it failed.
        zone_steps: total depth of the critical focus zone, where it is known or was seen.
        confirmed_hfr_px: at the best position; None where that frame showed no stars.
    """

    trouble: FocusTrouble | None
    reason: str
    samples: tuple[FocusSample, ...]
    coarse: bool
    best_position: int | None = None
    uncertainty_steps: float | None = None
    best_hfr_px: float | None = None
    quality: float | None = None
    zone_steps: float | None = None
    confirmed_hfr_px: float | None = None

    @property
    def ok(self) -> bool:
        """Whether the best position may be used."""
        return self.trouble is None

    @property
    def exposures(self) -> int:
        """Frames that the run took."""
        return len(self.samples)


def judge_fit(fit: FocusFit, samples: list[FocusSample], task: FocusTask) -> FocusTrouble | None:
    """Return what keeps a fit from being used."""
    seen = [s for s in samples if s.measure.hfr_px is not None]
    if not seen:
        return "no_stars"
    positions, radii = [s.position for s in seen], [s.hfr_px for s in seen]
    span = max(positions) - min(positions)
    if span > _UNCHANGED_ZONES * task.zone_guess and max(radii) < _UNCHANGED_RATIO * min(radii):
        return "unchanged"
    if not fit.ok:
        beyond = fit.problem == "outside" and (
            (fit.best_position <= min(positions) <= task.lowest)
            or (fit.best_position >= max(positions) >= task.highest)
        )
        return "at_end" if beyond else "no_focus"
    if fit.uncertainty_steps > _MOST_UNCERTAIN_ZONES * zone_of(fit, task):
        return "no_focus"
    return None


def zone_of(fit: FocusFit, task: FocusTask) -> float:
    """Return the critical focus zone in steps; by the curve's own slope where it is not known."""
    if task.zone_steps is not None:
        return task.zone_steps
    return task.blur_px / fit.slope if fit.slope > 0 else task.zone_guess


def failed(
    record: tuple[tuple[FocusSample, ...], bool], trouble: FocusTrouble, reason: str
) -> FocusVerdict:
    """Return the verdict on a run that found nothing to be used."""
    return FocusVerdict(trouble, reason, *record)


def succeeded(
    record: tuple[tuple[FocusSample, ...], bool],
    fit: FocusFit,
    confirmed_hfr_px: float | None,
    task: FocusTask,
) -> FocusVerdict:
    """Return the verdict on a run whose minimum may be used."""
    zone = zone_of(fit, task)
    return FocusVerdict(
        None,
        f"{fit.reason}, {fit.uncertainty_steps / zone:.2f} of the critical focus zone",
        *record,
        best_position=round(fit.best_position),
        uncertainty_steps=fit.uncertainty_steps,
        best_hfr_px=fit.best_hfr,
        quality=fit.quality,
        zone_steps=zone,
        confirmed_hfr_px=confirmed_hfr_px,
    )
