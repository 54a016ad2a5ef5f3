"""Take calibration frames that match the lights: flats on the panel, darks, bias."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api.duty import (
    CalibrateArgs,
    CalibrationSkipped,
    CameraSetting,
    Cause,
    Cover,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    FrameBegun,
    FrameGraded,
    Light,
    keep_frame,
)
from midwatch_plugins.duties.cold_sensor import bring_to, given_up
from midwatch_plugins.duties.darkness import is_covered, light_let_in
from midwatch_plugins.duties.exposing import hold_focus
from midwatch_plugins.duties.filters import bring_filter

# Aim of a flat as a share of the full scale: a third to a half is common practice, no source.
_FLAT_AIM = 0.4
_FLAT_WITHIN = 0.1
_FLAT_FIRST_S = 0.5
_FLAT_LONGEST_S = 60.0
_FLAT_TRIES = 8
_PANEL_PERCENT = 50.0


class Calibrate:
    """Take one set of calibration frames; the rig is parked and closed."""

    name: ClassVar[str] = "calibrate"
    cause: ClassVar[Cause] = "calibrating"
    takes: ClassVar[type[DutyArgs]] = CalibrateArgs

    async def perform(self, context: DutyContext, args: CalibrateArgs) -> None:
        """Cover the telescope, light the panel for flats, expose, and switch it off again."""
        panel = context.rig.flat_panel
        if panel is not None and panel.state is not None and panel.state.cover == "open":
            await panel.do(Cover(closed=True), timeout_s=60.0)
        setting = CameraSetting(args.gain, args.offset, args.binning)
        if args.frame == "dark" and (why := await _not_as_warm(context, args)) is not None:
            context.note(_skipped(args, why))
            return
        if args.frame == "dark" and not is_covered(context):
            await self._watched_series(context, args, setting)
            return
        if args.frame != "flat":
            await self._series(context, args, None, args.exposure_s, setting)
            return
        await bring_filter(context, args.filter)
        await hold_focus(context)
        lamp = context.device(panel, "flat_panel")
        await lamp.do(Light(brightness_percent=_PANEL_PERCENT), timeout_s=20.0)
        try:
            exposure_s = await self._flat_exposure(context, setting)
            await self._series(context, args, args.filter, exposure_s, setting)
        finally:
            await lamp.do(Light(brightness_percent=0.0), timeout_s=20.0)

    async def _watched_series(
        self, context: DutyContext, args: CalibrateArgs, setting: CameraSetting
    ) -> None:
        """Take darks as long as it is dark before and after each."""
        why = await light_let_in(context, setting)
        for taken in range(args.count):
            if why is not None:
                context.note(_skipped(args, why, taken))
                return
            exposure_id = await self._one(context, args, None, args.exposure_s, setting)
            why = await light_let_in(context, setting)
            if why is not None:
                context.note(FrameGraded(exposure_id=exposure_id, grade="rejected", reasons=(why,)))
                context.note(_skipped(args, why, taken))
                return

    async def _series(
        self,
        context: DutyContext,
        args: CalibrateArgs,
        filter_name: str | None,
        exposure_s: float,
        setting: CameraSetting,
    ) -> None:
        for _ in range(args.count):
            await self._one(context, args, filter_name, exposure_s, setting)

    async def _one(
        self,
        context: DutyContext,
        args: CalibrateArgs,
        filter_name: str | None,
        exposure_s: float,
        setting: CameraSetting,
    ) -> str:
        exposure_id = context.frame_taker.identify()
        await keep_frame(
            context,
            FrameBegun(
                exposure_id=exposure_id,
                frame=args.frame,
                target=None,
                order_index=None,
                filter=filter_name,
                exposure_s=exposure_s,
                gain=setting.gain,
                offset=setting.offset,
                binning=setting.binning,
            ),
        )
        return exposure_id

    async def _flat_exposure(self, context: DutyContext, setting: CameraSetting) -> float:
        """Find the exposure that brings the panel's light to the aim.

        Raises:
            DutyFailedError: the panel is too dim or too bright for the camera.
        """
        bias = await context.frame_taker.throwaway("bias", 0.0, setting)
        dark_level = bias.measures.background_adu
        exposure_s = _FLAT_FIRST_S
        for _ in range(_FLAT_TRIES):
            shot = await context.frame_taker.throwaway("flat", exposure_s, setting)
            full = float(shot.ref.saturation_adu)
            level = shot.measures.background_adu
            if abs(level / full - _FLAT_AIM) <= _FLAT_WITHIN:
                return exposure_s
            got = max(level - dark_level, 1.0)
            # A full frame says only "less"; halving and more is then as good as any guess.
            ratio = 0.25 if level > 0.95 * full else (_FLAT_AIM * full - dark_level) / got
            exposure_s = min(max(exposure_s * ratio, 0.001), _FLAT_LONGEST_S)
        raise DutyFailedError(
            "flat_panel",
            "no_flat_level",
            f"no exposure up to {_FLAT_LONGEST_S:g} s brings flats to "
            f"{100 * _FLAT_AIM:.0f} % of full scale; check the panel's brightness",
        )


async def _not_as_warm(context: DutyContext, args: CalibrateArgs) -> str | None:
    """Bring the sensor to the temperature of the lights; say why where it cannot be had."""
    wanted_c, camera = args.sensor_c, context.device(context.rig.camera, "camera")
    if wanted_c is None:
        return None
    if context.night.rig.camera.cool_to_c is not None and not given_up(context):
        await bring_to(context, wanted_c)
    sensor_c = camera.state.sensor_c if camera.state is not None else None
    if sensor_c is None or abs(sensor_c - wanted_c) <= context.night.rig.grading.max_sensor_off_c:
        return None
    return (
        f"the lights were taken at {wanted_c:.1f} degC and the sensor is at {sensor_c:.1f} degC "
        "now; take them on another night, or from darks of that temperature"
    )


def _skipped(args: CalibrateArgs, reason: str, taken: int = 0) -> CalibrationSkipped:
    return CalibrationSkipped(
        frame=args.frame,
        filter=args.filter,
        exposure_s=args.exposure_s,
        gain=args.gain,
        offset=args.offset,
        binning=args.binning,
        sensor_c=args.sensor_c,
        missing=args.count - taken,
        reason=reason,
    )
