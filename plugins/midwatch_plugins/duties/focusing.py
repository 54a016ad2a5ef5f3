"""Find best focus from star sizes at positions around the expected one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from midwatch.api import (
    Args,
    Cause,
    DutyContext,
    DutyFailedError,
    FocusFit,
    FocusRun,
    Move,
    fit_focus_curve,
)
from midwatch_plugins.duties.filters import bring_filter, selected_filter

_MOVE_S = 120.0
# A frame with fewer stars says nothing about focus.
_FEWEST_STARS = 5
# Series of samples in one run: a first one far from focus is repeated around its best point.
_SERIES = 3
# How far off the rig file's own start may be, in sample distances.
_UNKNOWN_STEPS = 10.0


@dataclass
class _Samples:
    positions: list[int] = field(default_factory=list)
    hfr_px: list[float] = field(default_factory=list)


class Focus:
    """Sample, fit, go to the best position."""

    name: ClassVar[str] = "focus"
    cause: ClassVar[Cause] = "focusing"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Run until a good fit is found; go back to where it began when there is none."""
        focuser = context.device(context.rig.focuser, "focuser")
        settings = context.night.rig.focus
        if args.get("filter") is not None:
            await bring_filter(context, str(args["filter"]))
        start, _ = predicted_position(context)
        samples = _Samples()
        centre, fit = start, None
        for _ in range(_SERIES):
            await self._sample(context, centre, samples)
            fit = self._fit(samples)
            if fit is not None and fit.ok:
                break
            centre = self._next_centre(samples, centre, settings.step * (settings.samples // 2))
        good = fit is not None and fit.ok
        best = round(fit.best_position) if good and fit is not None else None
        await approach(context, best if best is not None else start)
        state = focuser.state
        reason = "too few frames with stars" if fit is None else fit.reason
        context.note(
            FocusRun(
                positions=tuple(samples.positions),
                hfr_px=tuple(samples.hfr_px),
                filter=selected_filter(context),
                temperature_c=state.temperature_c if state else None,
                ok=good,
                reason="" if good else reason,
                trigger=str(args.get("trigger") or "first"),
                best_position=best,
                uncertainty_steps=fit.uncertainty_steps if good and fit is not None else None,
                best_hfr_px=fit.best_hfr if good and fit is not None else None,
            )
        )
        if not good:
            raise DutyFailedError(
                "sky", "no_focus", f"no focus was found: {reason}; back at position {start}"
            )

    async def _sample(self, context: DutyContext, centre: int, samples: _Samples) -> None:
        settings = context.night.rig.focus
        half = settings.samples // 2
        for index in range(-half, half + 1):
            position = max(0, centre + index * settings.step)
            # Going up from below, only the first step has backlash to take up.
            await approach(context, position, from_below=index == -half)
            shot = await context.darkroom.throwaway("focus", settings.exposure_s, context.setting())
            if shot.sight.hfr_px is not None and shot.sight.stars >= _FEWEST_STARS:
                samples.positions.append(position)
                samples.hfr_px.append(round(shot.sight.hfr_px, 4))

    def _fit(self, samples: _Samples) -> FocusFit | None:
        if len(samples.positions) < 5:
            return None
        return fit_focus_curve(samples.positions, samples.hfr_px)

    def _next_centre(self, samples: _Samples, centre: int, reach: int) -> int:
        """Return where to look next: around the sharpest sample, or further out if it is last."""
        if not samples.positions:
            return centre
        sharpest = samples.positions[samples.hfr_px.index(min(samples.hfr_px))]
        if sharpest <= min(samples.positions):
            return max(reach, sharpest - reach)
        if sharpest >= max(samples.positions):
            return sharpest + reach
        return sharpest


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


def predicted_position(context: DutyContext) -> tuple[int, float]:
    """Return where best focus is expected and how uncertain that is, steps.

    By what was learned of temperature and filters; else at the last good run; else where the rig
    file begins.
    """
    model, state = context.focus_model, context.rig.focuser.state
    forecast = model.predict(state.temperature_c if state else None, selected_filter(context))
    last, settings = context.record.focus, context.night.rig.focus
    if forecast is not None and (last is None or model.trusted):
        return max(0, round(forecast[0])), forecast[1]
    if last is not None and last.run.best_position is not None:
        position = last.run.best_position + filter_shift(context, last.run.filter)
        return max(0, position), model.scale.zone_steps
    return settings.start_position, _UNKNOWN_STEPS * settings.step
