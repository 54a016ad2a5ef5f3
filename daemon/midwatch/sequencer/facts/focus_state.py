"""What is known of focus at this moment, for lookouts and for decisions."""

from __future__ import annotations

from midwatch.devices.contract.kinds import GuiderState
from midwatch.journal.record import NightRecord
from midwatch.learning import FocusMemory, FocusModel, FocusScale, SizeScale, size_ratios, trailing
from midwatch.orders.models import Rig
from midwatch.orders.reading import Night
from midwatch.sequencer.decision import FocusView

__all__ = ["FocusWatch", "focus_scale"]


def focus_scale(rig: Rig) -> FocusScale:
    """Return what a rig's optics and declared offsets say of focus."""
    focus, optics = rig.focus, rig.optics
    return FocusScale.of_rig(
        optics.focal_length_mm,
        optics.aperture_mm,
        focus.steps_per_um,
        focus.step,
        focus.filter_offsets,
    )


class FocusWatch:
    """Compares the present with the last focus run by way of what was learned."""

    def __init__(self, night: Night, record: NightRecord, memory: FocusMemory) -> None:
        self._settings = night.rig.focus
        self._has_wheel = night.rig.devices.filter_wheel is not None
        named = [frame.filter for target in night.targets for frame in target.order.frames]
        self._filters = tuple(dict.fromkeys(name for name in named if name is not None))
        self._record = record
        self._memory = memory
        self._sizes = SizeScale.of_rig(night.rig, focus_scale(night.rig).zone_steps)
        # Kept until a light is graded or a run ends: lookouts ask at every wake-up.
        self._ratios: tuple[tuple[int, int], tuple[float, ...]] | None = None
        self._strange: tuple[FocusModel, str | None, tuple[str, ...]] | None = None

    @property
    def model(self) -> FocusModel:
        """What was learned so far."""
        return self._memory.model

    @property
    def learned(self) -> bool:
        """Whether the learned line, and no longer the bare temperature, says when to refocus."""
        return self.model.trusted and self._settings.defocus_percent is not None

    def settled_at_c(self) -> float | None:
        """Return the temperature at which the focuser was last put right."""
        settled = self._record.settled
        return settled.temperature_c if settled is not None else None

    def defocus_percent(self, now_s: float, temperature_c: float | None) -> float | None:
        """Return the defocus to expect, in percent of the critical focus zone's total depth.

        How far best focus is expected to be from where the focuser was last put right, and one
        standard error of its shift since the last run on top. None before the first run and without
        a temperature.
        """
        settled, run = self._record.settled, self._memory.last_run
        felt = self._memory.felt(now_s, temperature_c)
        if settled is None or run is None or felt is None:
            return None
        model = self.model
        shift, sigma = model.shift(run.felt, felt)
        turned, _ = model.filter_shift(run.filter, settled.filter)
        off = run.position + turned + shift - settled.position
        return 100.0 * (abs(off) + sigma) / model.scale.zone_steps

    def size_ratios(self, guider: GuiderState | None) -> tuple[float, ...]:
        """Return star sizes since the last run as multiples of what is expected.

        None while guiding, by the guider's present state, trails the stars.
        """
        if trailing(guider, self._sizes):
            return ()
        record = self._record
        key = (record.verdicts, len(record.focus_runs))
        if self._ratios is None or self._ratios[0] != key:
            lights = [f for f in record.frames.values() if f.is_light and f.graded]
            self._ratios = (key, size_ratios(lights, record.focus_runs, self._sizes))
        return self._ratios[1]

    def view(self, pressing: tuple[float, str, str]) -> FocusView:
        """Return what decisions may know; `pressing` is the most urgent rule not yet due."""
        focus, flip = self._record.focus, self._record.last_flip
        flipped = flip is not None and focus is not None and flip[0] > focus.at_utc_s
        urgency, rule, message = pressing
        return FocusView(
            since_s=focus.at_utc_s if focus is not None else None,
            after_flip=self._settings.after_flip and flipped,
            strange_filters=self._strange_filters(),
            urgency=urgency,
            rule=rule,
            message=message,
        )

    def _strange_filters(self) -> tuple[str, ...]:
        """Return the filters for which the last run does not hold."""
        focus = self._record.focus
        wanted = self._has_wheel and self._settings.after_filter_change
        if focus is None or not wanted:
            return ()
        model, used = self.model, focus.run.filter
        if self._strange is None or self._strange[0] is not model or self._strange[1] != used:
            strange = tuple(f for f in self._filters if not model.shift_known(used, f))
            self._strange = (model, used, strange)
        return self._strange[2]
