"""Find best focus from star sizes at positions around the expected one."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from typing import ClassVar

import numpy as np

from midwatch.api.duty import (
    Cause,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    FocusArgs,
    FocusMeasure,
    FocusRun,
    FocusSearch,
    FocusTask,
    FocusVerdict,
    FrameMeasures,
    Move,
    zone_blur_px,
)
from midwatch_plugins.duties.filters import bring_filter, propose_offsets, selected_filter

_MOVE_S = 120.0
# A focuser that has answered says soon where it is.
_REPORT_S = 15.0
# A frame with fewer stars says nothing about focus; discs of one size, far from focus, are few and
# nothing else looks like them.
_FEWEST_STARS, _FEWEST_DISCS = 5, 2
# Ranks of the stars whose light shows clouds: the brightest are full near focus only.
_LIGHT_RANKS = slice(5, 25)
# How far off the rig file's own start may be, in sample distances.
_UNKNOWN_STEPS = 10.0
_WAVELENGTH_NM = 550.0
# Far from focus light is spread over hundreds of pixels: exposures are so many times longer.
_FAR_EXPOSURE = 3.0
# Stars so many times larger than at the last focus are looked into by a second run. Less: each
# change of the seeing costs one; more: half a night may pass out of focus.
_BLUNT = 1.6
# Without a limit of its own a focuser is taken to reach so far.
_FAR_STEPS = 1_000_000


class Focus:
    """Sample, fit, go to the best position and look whether it is."""

    name: ClassVar[str] = "focus"
    cause: ClassVar[Cause] = "focusing"
    takes: ClassVar[type[DutyArgs]] = FocusArgs

    async def perform(self, context: DutyContext, args: FocusArgs) -> None:
        """Run until focus is found and seen; go back to the last good position when it is not.

        Raises:
            DutyFailedError: of the focuser, 'stuck' or 'at_end'; of the sky, 'no_focus'.
        """
        context.device(context.rig.focuser, "focuser")
        await bring_filter(context, args.filter)
        start, _ = predicted_position(context)
        foretold = foretold_position(context)
        task, trails = _task(context, start), Trails(context)
        verdict = await _searched(context, task, trails)
        if _is_blunter(verdict, task):
            # Whatever bent the curve (a mount that stood still, a gust) may be over by now.
            assert verdict.best_position is not None
            again = replace(task, start=verdict.best_position)
            verdict = await _searched(context, again, trails)
        if (reason := trails.reason) is not None:
            verdict = replace(
                verdict, trouble="trailed", reason=reason, best_position=None, best_hfr_px=None
            )
        if verdict.best_position is None:
            await approach(context, start)
        elif verdict.samples[-1].position != verdict.best_position:
            await _arrive(context, verdict.best_position)
        known = context.focus_model.proposals()
        context.note(_account(context, verdict, args.trigger, foretold))
        propose_offsets(context, known)
        if verdict.trouble is not None:
            raise _failure(verdict, start)


async def _searched(context: DutyContext, task: FocusTask, trails: Trails) -> FocusVerdict:
    """Sample until the search knows best focus, or why it does not."""
    search = FocusSearch(task)
    while (wanted := search.wanted) is not None:
        await _arrive(context, wanted.position, from_below=wanted.from_below)
        longer = _FAR_EXPOSURE if search.coarse and wanted.why == "find" else 1.0
        shot = await context.frame_taker.throwaway(
            "focus", longer * context.night.rig.focus.exposure_s, context.setting()
        )
        trails.look(shot.measures)
        search.inform(measure_of(shot.measures, shot.ref.exposure_s))
    assert search.verdict is not None
    return search.verdict


def _is_blunter(verdict: FocusVerdict, task: FocusTask) -> bool:
    """Whether focus was found, and stars are much larger there than at the focus before."""
    found, before = verdict.confirmed_hfr_px, task.expected_hfr_px
    return verdict.ok and found is not None and before is not None and found > _BLUNT * before


class Trails:
    """Watches, during a focus run, for stars that are large because they are not followed."""

    def __init__(self, context: DutyContext) -> None:
        self._bounds = context.night.rig.grading
        self._guider = context.rig.guider
        self._scale_arcsec = context.analysis.scale_arcsec
        self._worst_px = 0.0
        self._elongations: list[tuple[float, float]] = []

    def look(self, measures: FrameMeasures) -> None:
        """Take in a frame, and what the guider says meanwhile."""
        if measures.hfr_px is not None and measures.elongation is not None:
            self._elongations.append((measures.hfr_px, measures.elongation))
        guider = self._guider
        state = None if guider is None or guider.down else guider.state
        if state is not None and state.phase == "guiding" and state.rms_ra_arcsec is not None:
            rms_arcsec = math.hypot(state.rms_ra_arcsec, state.rms_dec_arcsec or 0.0)
            self._worst_px = max(self._worst_px, rms_arcsec / self._scale_arcsec)

    @property
    def reason(self) -> str | None:
        """Why the sizes of this run say nothing of focus; None where they do.

        Optics may draw out stars far from focus: only the sharper half of the frames is asked.
        """
        if self._worst_px > self._bounds.max_guide_rms_px:
            return f"guiding was off by {self._worst_px:.1f} px RMS meanwhile"
        sharper = sorted(self._elongations)[: (len(self._elongations) + 1) // 2]
        if not sharper:
            return None
        middle = statistics.median(elongation for _, elongation in sharper)
        if middle <= self._bounds.max_elongation:
            return None
        return f"stars were trailed, {middle:.1f} times as long as wide"


def measure_of(measures: FrameMeasures, exposure_s: float) -> FocusMeasure:
    """Return what a frame says about focus; without enough stars it says nothing."""
    table = measures.table
    fewest = _FEWEST_DISCS if table is not None and table.discs else _FEWEST_STARS
    if measures.hfr_px is None or measures.stars < fewest:
        return FocusMeasure(None, None, measures.stars, None, exposure_s)
    if table is None:
        return FocusMeasure(measures.hfr_px, None, measures.stars, None, exposure_s)
    radii = table.hfr_px[table.good]
    # The median of N values scatters by 1.25 standard deviations over the root of N.
    scatter = 1.4826 * float(np.median(np.abs(radii - np.median(radii))))
    sigma = 1.2533 * scatter / len(radii) ** 0.5
    ranked = table.flux_adu[_LIGHT_RANKS]
    light = float(np.median(ranked)) if len(ranked) >= 10 else None
    return FocusMeasure(measures.hfr_px, sigma, measures.stars, light, exposure_s)


def _task(context: DutyContext, start: int) -> FocusTask:
    rig = context.night.rig
    settings, state = rig.focus, context.rig.focuser.state if context.rig.focuser else None
    # Below this the backlash cannot be taken up from below.
    lowest = settings.backlash_steps
    highest = state.max_position if state and state.max_position else _FAR_STEPS
    scale = context.focus_model.scale
    last = context.record.focus
    return FocusTask(
        start=min(max(start, lowest), highest),
        step=settings.step,
        zone_steps=scale.zone_steps if settings.steps_per_um is not None else None,
        blur_px=zone_blur_px(
            _WAVELENGTH_NM,
            rig.optics.focal_length_mm / rig.optics.aperture_mm,
            rig.camera.pixel_um,
        ),
        lowest=lowest,
        highest=highest,
        expected_hfr_px=last.run.best_hfr_px if last is not None else None,
    )


async def _arrive(context: DutyContext, position: int, *, from_below: bool = True) -> None:
    """Go to a position and make sure that the focuser says it is there."""
    focuser = context.device(context.rig.focuser, "focuser")
    before = focuser.state.position if focuser.state else None
    await approach(context, position, from_below=from_below)
    try:
        await focuser.until(lambda s: s.position == position and not s.moving, timeout_s=_REPORT_S)
    except TimeoutError as error:
        there = focuser.state.position if focuser.state else None
        if there == before:
            raise DutyFailedError(
                "focuser",
                "stuck",
                f"the focuser was sent to {position} and is still at {there}; look for a "
                "tight lock, a loose coupling or a cable that holds it",
            ) from error
        raise DutyFailedError(
            "focuser",
            "at_end",
            f"the focuser was sent to {position} and stopped at {there}; it has met its end: "
            "set its travel, or move the camera by a spacer",
        ) from error


def _account(
    context: DutyContext,
    verdict: FocusVerdict,
    trigger: str,
    foretold: tuple[float, float] | None,
) -> FocusRun:
    state = context.rig.focuser.state if context.rig.focuser else None
    seen = [s for s in verdict.samples if s.measure.hfr_px is not None]
    return FocusRun(
        positions=tuple(s.position for s in seen),
        hfr_px=tuple(round(s.hfr_px, 4) for s in seen),
        filter=selected_filter(context),
        temperature_c=state.temperature_c if state else None,
        ok=verdict.ok,
        reason="" if verdict.ok else verdict.reason,
        trigger=trigger,
        best_position=verdict.best_position,
        uncertainty_steps=verdict.uncertainty_steps,
        best_hfr_px=verdict.best_hfr_px,
        hfr_sigma_px=tuple(round(s.sigma_px, 4) for s in seen),
        spoiled=tuple(s.spoiled for s in seen),
        exposures=verdict.exposures,
        coarse=verdict.coarse,
        quality=verdict.quality,
        critical_zone_steps=verdict.zone_steps,
        confirmed_hfr_px=verdict.confirmed_hfr_px,
        foretold_position=round(foretold[0], 2) if foretold is not None else None,
        foretold_sigma_steps=round(foretold[1], 2) if foretold is not None else None,
    )


def _failure(verdict: FocusVerdict, back: int) -> DutyFailedError:
    """Return the fault of a run without result, and what to try."""
    if verdict.trouble in ("unchanged", "unconfirmed"):
        return DutyFailedError(
            "focuser",
            "stuck",
            f"{verdict.reason}; look for a slipping clutch or a loose coupling; "
            f"back at position {back}",
        )
    if verdict.trouble == "at_end":
        return DutyFailedError(
            "focuser",
            "at_end",
            f"{verdict.reason}; move the camera by a spacer or set the focuser's travel; "
            f"back at position {back}",
        )
    if verdict.trouble == "trailed":
        return DutyFailedError(
            "sky", "no_focus", f"no focus was found: {verdict.reason}; see to guiding and "
            f"tracking; back at position {back}",
        )  # fmt: skip
    hint = (
        "look for clouds, for a cap that is on, for a start position far from focus"
        if verdict.trouble == "no_stars"
        else "a longer exposure or a field with more stars may help"
    )
    return DutyFailedError(
        "sky", "no_focus", f"no focus was found: {verdict.reason}; {hint}; back at position {back}"
    )


async def approach(context: DutyContext, position: int, *, from_below: bool = True) -> None:
    """Move the focuser to a position, arriving from below so that backlash is always taken up."""
    focuser = context.device(context.rig.focuser, "focuser")
    backlash = context.night.rig.focus.backlash_steps
    if from_below and backlash:
        await focuser.do(Move(position=max(0, position - backlash)), timeout_s=_MOVE_S)
    await focuser.do(Move(position=max(0, position)), timeout_s=_MOVE_S)


def filter_shift(context: DutyContext, focused_with: str | None) -> int:
    """Return the steps between the focus of the present filter and that of another."""
    return round(context.focus_model.filter_shift(focused_with, selected_filter(context))[0])


def foretold_position(context: DutyContext) -> tuple[float, float] | None:
    """Return where the focus model expects best focus now, and its error; None if it cannot say."""
    state = context.rig.focuser.state if context.rig.focuser else None
    felt = context.focus_memory.felt(context.now_s, state.temperature_c if state else None)
    return context.focus_model.predict(felt, selected_filter(context))


def predicted_position(context: DutyContext) -> tuple[int, float]:
    """Return where best focus is expected and how uncertain that is, steps.

    By what was learned of temperature and filters; else at the last good run; else where the rig
    file begins.
    """
    model, forecast = context.focus_model, foretold_position(context)
    last, settings = context.record.focus, context.night.rig.focus
    if forecast is not None and (last is None or model.trusted):
        return max(0, round(forecast[0])), forecast[1]
    if last is not None and last.run.best_position is not None:
        position = last.run.best_position + filter_shift(context, last.run.filter)
        return max(0, position), model.scale.zone_steps
    return settings.start_position, _UNKNOWN_STEPS * settings.step
