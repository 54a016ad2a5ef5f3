"""Make the rig safe in the middle of a night, and close it for good at its end."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable
from typing import ClassVar

from midwatch.api.duty import (
    CameraState,
    Cause,
    CloseArgs,
    CloseRoof,
    Cover,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    Light,
    MidwatchError,
    SecureArgs,
    Stop,
    Warm,
    collect_waiting,
    file_what_waits,
    park,
    stop_guiding,
)

_ROOF_S = 180.0
_WARM_SLACK_S = 1200.0
# A disk without room is waited for so long at the end. Too short: a person who clears it in the
# morning comes too late; too long: the end of the night is not reported.
_ROOM_S = 1800.0

Step = tuple[str, Callable[[DutyContext], Awaitable[None]]]


async def _run_steps(context: DutyContext, steps: tuple[Step, ...]) -> None:
    """Do every step in order; one that fails does not keep the next from being done.

    Raises:
        DutyFailedError: naming every step that failed.
    """
    failures: list[str] = []
    device = ""
    for name, step in steps:
        try:
            await step(context)
        except (MidwatchError, TimeoutError) as error:
            device = device or getattr(error, "device", "") or name
            failures.append(f"{name}: {str(error) or 'it does not confirm in time'}")
    if failures:
        raise DutyFailedError(device, "not_safe", "; ".join(failures))


async def _stop_camera(context: DutyContext) -> None:
    camera = context.rig.camera
    if not camera.down and camera.state is not None and camera.state.phase == "exposing":
        await camera.do(Stop(), timeout_s=20.0)


async def _close_roof(context: DutyContext) -> None:
    if context.rig.roof is None:
        return
    roof = context.device(context.rig.roof, "roof")
    # The roof may strike a telescope that is not parked, unless its driver says that it clears it.
    clears = roof.about is not None and roof.about.limits.get("clears_telescope") is True
    if not clears and not context.mount_state().parked:
        raise DutyFailedError("roof", "mount_not_parked", "not closed: the mount is not parked")
    # Also where it says that it is closed: that costs nothing, and a sensor may be wrong.
    await roof.do(CloseRoof(), timeout_s=_ROOF_S)
    await roof.until(lambda state: state.position == "closed", timeout_s=20.0)


async def _cover(context: DutyContext) -> None:
    panel = context.rig.flat_panel
    if panel is None or panel.down or panel.state is None:
        return
    if panel.state.lit:
        await panel.do(Light(brightness_percent=0.0), timeout_s=20.0)
    if panel.state.cover == "open":
        await panel.do(Cover(closed=True), timeout_s=60.0)


async def _warm(context: DutyContext) -> None:
    camera = context.device(context.rig.camera, "camera")
    state = camera.state
    if state is None or (state.connected and not state.cooler_on):
        return
    rate = context.night.rig.camera.warm_rate_c_per_min
    await camera.do(Warm(rate_c_per_min=rate), timeout_s=20.0)
    cold_c = state.sensor_c if state.sensor_c is not None else -20.0
    limit_s = max(0.0, 30.0 - cold_c) / rate * 60.0 + _WARM_SLACK_S

    def warm_or_lost(now: CameraState) -> bool:
        return camera.down or not now.connected or not now.cooler_on

    try:
        now = await camera.until(warm_or_lost, timeout_s=limit_s)
    except TimeoutError as error:
        raise DutyFailedError("camera", "still_cold", _still_cold(camera.state, limit_s)) from error
    if camera.down or not now.connected:
        raise DutyFailedError("camera", "not_connected", "the camera was lost while it warmed up")


def _still_cold(state: CameraState | None, waited_s: float) -> str:
    at = "unknown" if state is None or state.sensor_c is None else f"{state.sensor_c:.1f} degC"
    return (
        f"after {waited_s / 60.0:.0f} min of warming the cooler is still on, the sensor at {at}; "
        "switch the camera off by hand once it is above 0 degC"
    )


async def _still_at_rest(context: DutyContext) -> None:
    """See once more that what was parked and closed is so: warming has taken its time."""
    roof = context.rig.roof
    if not context.mount_state().parked:
        raise DutyFailedError("mount", "not_parked", "the mount does not say that it is parked")
    if roof is not None and (roof.down or roof.state is None or roof.state.position != "closed"):
        raise DutyFailedError("roof", "not_closed", "the roof does not say that it is closed")


async def _collect(context: DutyContext) -> None:
    """File frames that found no room before, as far as there is room now.

    Frames that are not wanted are dropped: a driver that died did not get that command.
    """
    if _frames_wait(context):
        with contextlib.suppress(MidwatchError):
            await collect_waiting(context)


async def _wait_for_room(context: DutyContext) -> None:
    """File what still waits, once everything is at rest; a disk that is full may be cleared."""
    if _frames_wait(context):
        await file_what_waits(context, _ROOM_S)


def _frames_wait(context: DutyContext) -> bool:
    camera = context.rig.camera
    waiting = camera.state is not None and bool(camera.state.waiting)
    return not camera.down and (waiting or bool(context.record.unfiled()))


_SECURE: tuple[Step, ...] = (
    ("camera", _stop_camera),
    ("guider", stop_guiding),
    ("mount", park),
    ("roof", _close_roof),
)


_PUT_AWAY: tuple[Step, ...] = (
    ("spool", _collect),
    ("flat_panel", _cover),
    ("warming", _warm),
    ("rest", _still_at_rest),
    ("filing", _wait_for_room),
)


class Secure:
    """Stop exposing, park, close the roof: in that order; ``roof: leave`` leaves it alone."""

    name: ClassVar[str] = "secure"
    cause: ClassVar[Cause] = "closing"
    takes: ClassVar[type[DutyArgs]] = SecureArgs

    async def perform(self, context: DutyContext, args: SecureArgs) -> None:
        """Do every step, whatever the others did."""
        left = ("roof",) if args.roof == "leave" else ()
        await _run_steps(context, tuple(step for step in _SECURE if step[0] not in left))


class Close:
    """End the night: make safe, cover, warm the camera slowly, file what waits."""

    name: ClassVar[str] = "close"
    cause: ClassVar[Cause] = "closing"
    takes: ClassVar[type[DutyArgs]] = CloseArgs

    async def perform(self, context: DutyContext, args: CloseArgs) -> None:
        """Do every step, whatever the others did, and prove in the end that all is at rest."""
        rest = tuple(step for step in _PUT_AWAY if step[0] == "rest" or not args.for_now)
        await _run_steps(context, (*_SECURE, *rest))
