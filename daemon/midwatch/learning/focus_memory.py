"""All good focus runs of a journal, what the probe read before them, and the model they make."""

from __future__ import annotations

from collections.abc import Iterable

from midwatch.journal.facts import (
    FocusFollowed,
    FocusRun,
    FrameBegun,
    FrameGraded,
    NightBegan,
    Sample,
)
from midwatch.journal.store import Event
from midwatch.learning.focus_model import FocusModel, fit_focus_model, weigh_by_sizes
from midwatch.learning.focus_points import FocusPoint, FocusScale
from midwatch.learning.probe_history import ProbeHistory
from midwatch.learning.size_evidence import SizedLight
from midwatch.learning.star_size_trend import SizeScale, still_size_px

__all__ = ["FocusMemory"]

# Lights are taken in by so many. Fewer: the model is weighed again for little; more: a lag that
# shows in star sizes is seen late.
_LIGHTS_TOGETHER = 4


class FocusMemory:
    """What focus runs and the lights between them have taught; grows with the night.

    Nights of other rigs in the same journal teach nothing. Without a scale of sizes, lights do not.
    """

    def __init__(
        self,
        events: Iterable[Event],
        night: str,
        scale: FocusScale,
        rig: str | None = None,
        sizes: SizeScale | None = None,
    ) -> None:
        self._night = night
        self._scale = scale
        self._rig = rig
        self._sizes = sizes
        self._rigs: dict[str, str] = {}
        self._points: list[FocusPoint] = []
        self._history: tuple[str, ProbeHistory] | None = None
        self._run: tuple[int, FocusPoint] | None = None
        self._begun: dict[str, tuple[FrameBegun, ProbeHistory]] = {}
        self._lights: list[SizedLight] = []
        self._weighed = 0
        self._fitted: FocusModel | None = None
        self._model: FocusModel | None = None
        for event in events:
            self.hear(event)

    def hear(self, event: Event) -> None:
        """Take in an event: readings of the probe, good focus runs, tonight's lights."""
        fact = event.fact
        if isinstance(fact, NightBegan):
            self._rigs[event.night] = fact.rig
        if self._rig is not None and self._rigs.get(event.night, self._rig) != self._rig:
            return
        match fact:
            case Sample():
                self._read(event, fact.focuser_c)
            case FocusFollowed():
                self._read(event, fact.temperature_c)
            case FocusRun():
                self._read(event, fact.temperature_c)
                self._learn(event, fact)
            case FrameBegun(frame="light") if event.night == self._night:
                if self._history is not None:
                    self._begun[fact.exposure_id] = (fact, self._history[1])
            case FrameGraded() if event.night == self._night:
                self._size(event, fact)
            case _:
                pass

    def felt(self, at_s: float, probe_c: float | None) -> ProbeHistory | None:
        """Return tonight's history of the probe up to an instant; None without a reading."""
        known = self._history
        if probe_c is None:
            return None
        if known is None or known[0] != self._night:
            return ProbeHistory.begin(at_s, probe_c)
        return known[1].after(at_s, probe_c)

    @property
    def last_run(self) -> FocusPoint | None:
        """Tonight's last good run; None without one, or where it had no temperature."""
        return self._run[1] if self._run is not None else None

    @property
    def model(self) -> FocusModel:
        """The model as of now."""
        if self._fitted is None:
            self._fitted = fit_focus_model(self._points, self._night, self._scale)
            self._model = None
        if self._model is None:
            self._weighed = len(self._lights)
            self._model = self._fitted
            if self._sizes is not None:
                per_step = self._sizes.blur_px_per_zone / self._scale.zone_steps
                self._model = weigh_by_sizes(self._fitted, self._lights, per_step)
        return self._model

    def _read(self, event: Event, probe_c: float | None) -> None:
        if probe_c is None:
            return
        if self._history is None or self._history[0] != event.night:
            begun = ProbeHistory.begin(event.at_utc_s, probe_c)
        else:
            begun = self._history[1].after(event.at_utc_s, probe_c)
        self._history = (event.night, begun)

    def _learn(self, event: Event, run: FocusRun) -> None:
        if not run.ok or run.best_position is None:
            return
        tonight = event.night == self._night
        if run.temperature_c is None or self._history is None:
            self._run = None if tonight else self._run
            return
        point = FocusPoint(
            event.night,
            run.filter,
            run.temperature_c,
            run.best_position,
            run.uncertainty_steps,
            self._history[1],
            run.foretold_position,
        )
        self._points.append(point)
        if tonight:
            self._run = (len(self._points), point)
        self._fitted = None

    def _size(self, event: Event, graded: FrameGraded) -> None:
        begun = self._begun.pop(graded.exposure_id, None)
        if begun is None or self._run is None or self._sizes is None:
            return
        number, run = self._run
        size_px = still_size_px(graded, self._sizes)
        if size_px is None or graded.focus_position is None:
            return
        frame, history = begun
        if history.at_s < run.felt.at_s:
            history = run.felt
        declared = self._scale.declared
        turned = declared.get(frame.filter or "", 0) - declared.get(run.filter or "", 0)
        self._lights.append(
            SizedLight(
                run=number,
                kind=f"{frame.target} {frame.filter} {frame.binning}",
                at_s=event.at_utc_s,
                size_px=size_px,
                off_steps=graded.focus_position - run.position - turned,
                since=run.felt,
                now=history,
            )
        )
        if len(self._lights) - self._weighed >= _LIGHTS_TOGETHER:
            self._model = None
