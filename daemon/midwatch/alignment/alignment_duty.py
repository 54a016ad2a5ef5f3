"""The duty of a polar alignment: measure the axis, guide the person at the knobs, measure again."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Literal

from midwatch.alignment.aligner import Aligner, Guided, Publish
from midwatch.alignment.alignment_plan import AlignmentField, plan_drift, plan_frames
from midwatch.alignment.alignment_rules import ALIGN, AlignArgs
from midwatch.alignment.setting_up import ready_optics
from midwatch.errors import InputError, MidwatchError
from midwatch.journal.facts import Cause, OperatorSpoke
from midwatch.sequencer.decision import DutyArgs
from midwatch.sequencer.duties import DutyContext, DutyFailedError, motion_ended
from midwatch.sky import LimitCheck, sun_altaz
from midwatch.sky.polar import AxisError, WeakGeometryError

Method = Literal["frames", "drift"]
Inform = Callable[[str], None]

# Higher, the sky is too bright for the stars that solving needs. Common practice, no source.
SUN_BELOW_DEG = 8.0


@dataclass(frozen=True)
class AlignOptions:
    """What to do.

    Attributes:
        method: solved frames at three hour angles, or drift at two.
        tolerance_arcmin: guidance ends below this.
        exposure_s: of a frame to solve; None takes that of the rig file.
        each: frames at each of three fields.
        drift_min: minutes at each of two fields.
        guide: follow the knobs after measuring.
        confirm: measure again at the end.
        focus: send the focuser to where the rig file has it begin.
    """

    method: Method
    tolerance_arcmin: float
    exposure_s: float | None
    each: int
    drift_min: float
    guide: bool
    confirm: bool
    focus: bool


@dataclass
class Findings:
    """What an alignment has found so far; None where it has not come to it.

    Attributes:
        failure: what kept it from going on by itself.
    """

    measured: AxisError | None = None
    guided: Guided | None = None
    confirmed: AxisError | None = None
    failure: MidwatchError | None = None


def choose_fields(
    limits: LimitCheck, options: AlignOptions, utc_s: float
) -> tuple[AlignmentField, ...]:
    """Return where the telescope would go at a time.

    Raises:
        InputError: it is too bright, or the limits leave no fields.
    """
    sun_alt_deg = float(sun_altaz(limits.observer, utc_s).alt_deg)
    if sun_alt_deg > -SUN_BELOW_DEG:
        raise InputError(
            f"the Sun is at altitude {sun_alt_deg:.1f} deg: wait until it is below "
            f"{-SUN_BELOW_DEG:g} deg, or rehearse with --rehearse"
        )
    if options.method == "drift":
        return plan_drift(limits, utc_s, options.drift_min * 60.0)
    return plan_frames(limits, utc_s)


def _out_of_time(context: DutyContext) -> DutyFailedError:
    if context.now_s >= context.plan.dawn_s - 1.0:
        message = f"the Sun is higher than {-SUN_BELOW_DEG:g} deg: too bright for stars"
        return DutyFailedError("sky", "daylight", message)
    return DutyFailedError("daemon", "no_answer", "a device did not answer in time; look at it")


class Align:
    """Measure the polar axis, and guide the person at its knobs.

    However it ends, the alignment is over then: it orders the rig to be closed. The engine watches
    over it meanwhile as over every duty, and cancels it when it becomes unsafe.

    Args:
        options: what to do.
        inform: shows a line to the person.
        publish: sends the facts of guidance to the programs that show them.

    Attributes:
        found: what came of it, as far as it went.
        guiding: the person is at the knobs.
        enough: set by the person when it is good enough.
    """

    name: ClassVar[str] = ALIGN
    cause: ClassVar[Cause] = "preparing"
    takes: ClassVar[type[DutyArgs]] = AlignArgs

    def __init__(self, options: AlignOptions, inform: Inform, publish: Publish) -> None:
        self.found = Findings()
        self.guiding = False
        self.enough = asyncio.Event()
        self._options = options
        self._inform = inform
        self._publish = publish

    async def perform(self, context: DutyContext, args: AlignArgs) -> None:  # noqa: ARG002
        """Go through all of it; what was found until it ended is kept.

        Raises:
            MidwatchError: a device, the sky or the limits do not let it go on.
        """
        why = "it is done"
        dark_s = context.plan.dawn_s - context.now_s
        try:
            async with context.clock.timeout(max(0.0, dark_s)):
                await self._align(context)
        except asyncio.CancelledError as error:
            why = str(error) or "it was stopped"
            raise
        except MidwatchError as error:
            self.found.failure, why = error, str(error)
            raise
        except TimeoutError as error:
            self.found.failure = _out_of_time(context)
            why = str(self.found.failure)
            raise self.found.failure from error
        finally:
            self.guiding = False
            with contextlib.suppress(MidwatchError):
                # Where tracking has come to, before anything else moves.
                if context.mount_state().tracking and not context.mount_state().slewing:
                    motion_ended(context, "tracking")
            context.note(OperatorSpoke(command="close", who="midwatch", why=why))

    async def _align(self, context: DutyContext) -> None:
        options, found = self._options, self.found
        exposure_s = options.exposure_s or context.night.rig.centring.exposure_s
        aligner = Aligner(context, exposure_s, self._inform, self._publish)
        await ready_optics(context, focus=options.focus)
        try:
            found.measured = await self._measure(context, aligner)
            if options.guide:
                self._inform("turn the knobs as shown; Ctrl-C ends it")
                self.guiding = True
                within_arcmin = options.tolerance_arcmin
                found.guided = await aligner.guide(found.measured, within_arcmin, self.enough)
                self.guiding = False
            if options.confirm:
                self._inform("hands off the mount: it moves again, to measure once more")
                found.confirmed = await self._measure(context, aligner)
        except WeakGeometryError as error:
            raise DutyFailedError("sky", "weak_geometry", str(error)) from error

    async def _measure(self, context: DutyContext, aligner: Aligner) -> AxisError:
        options = self._options
        fields = choose_fields(context.limits, options, context.now_s)
        if options.method == "drift":
            return await aligner.measure_by_drift(fields, options.drift_min * 60.0)
        return await aligner.measure_by_frames(fields, options.each)
