"""Connect, check and cool the rig; open the roof."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api import (
    Args,
    CameraState,
    Cause,
    CommandError,
    Connect,
    Cool,
    DeviceClient,
    DutyContext,
    DutyFailedError,
    Notice,
    OpenRoof,
    collect_waiting,
    motion_ended,
)

# Without these no night begins.
_NEEDED = ("mount", "camera", "focuser", "roof")
_ONLINE_S = 60.0
_CONNECT_S = 60.0
_ROOF_S = 180.0
# What to try with devices that have ways of their own of not being there.
_ADVICE = {
    "guide_camera": "check its cable and power, try another port without a hub, and close other "
    "programs that may hold it",
}
# Beyond the time that the ramp needs, for the last degrees. Too short: a slow cooler counts as
# failed; too long: a failed cooler is noticed late.
_COOLING_SLACK_S = 600.0
# Given up by each attempt with less cooling. Darks are taken at the temperature of the lights, so
# that a step too many only costs some noise.
_LESS_COOLING_C = 5.0


class ConnectRig:
    """Bring every device up, and collect frames left in the camera's spool."""

    name: ClassVar[str] = "connect"
    cause: ClassVar[Cause] = "preparing"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Answer when every device that the night needs talks to its hardware.

        The others may come later: what is done about them is the business of their own faults.
        """
        missing = await context.rig.wait_online(_ONLINE_S)
        if needed := [role for role in missing if role in _NEEDED]:
            raise DutyFailedError(
                needed[0],
                "missing",
                f"not on the bus: {', '.join(missing)}; check power, cables and drivers",
            )
        for role, client in context.rig.devices.items():
            if client.down or client.state is None or client.state.connected:
                continue
            try:
                await self._connect(role, client)
            except DutyFailedError as error:
                if role in _NEEDED:
                    raise
                context.note(Notice(message=f"the night begins without it: {error}"))
        if context.mount_state().parked:
            motion_ended(context, "park")
        found = await collect_waiting(context)
        if found:
            context.note(Notice(message=f"{found} frames waited in the camera's spool"))

    async def _connect(self, role: str, client: DeviceClient) -> None:  # type: ignore[type-arg]
        try:
            await client.do(Connect(), timeout_s=_CONNECT_S)
        except CommandError as error:
            raise DutyFailedError(
                role,
                "not_connected",
                f"the {role.replace('_', ' ')} does not connect: {error.message}; "
                f"{_ADVICE.get(role, 'check its power and cable')}",
            ) from error


class Prepare:
    """Cool the camera."""

    name: ClassVar[str] = "prepare"
    cause: ClassVar[Cause] = "preparing"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Answer when the sensor is at its temperature; a camera without set point is ready.

        What a camera that was lost still holds in its spool is collected first.
        """
        if context.record.frames:
            await collect_waiting(context)
        if context.night.rig.camera.cool_to_c is not None:
            await _cool(context, set_point_c(context))


def set_point_c(context: DutyContext, *, further: int = 0) -> float:
    """Return the temperature to cool to: the ordered one, less what the cooler cannot hold.

    Each time that less cooling was the remedy tonight gives up some degrees; `further` counts
    those to come.
    """
    wanted_c = context.night.rig.camera.cool_to_c
    assert wanted_c is not None
    done = sum(
        tried.remedy == "less_cooling" and tried.outcome == "done"
        for fault in context.record.faults.values()
        for _, tried in fault.remedies
    )
    return wanted_c + _LESS_COOLING_C * (done + further)


async def _cool(context: DutyContext, to_c: float) -> None:
    settings = context.night.rig.camera
    camera = context.device(context.rig.camera, "camera")
    rate = settings.cool_rate_c_per_min
    await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=20.0)

    def cold(state: CameraState) -> bool:
        return state.sensor_c is not None and abs(state.sensor_c - to_c) <= settings.cool_within_c

    state = camera.state
    warm_c = state.sensor_c if state is not None and state.sensor_c is not None else 25.0
    limit_s = abs(warm_c - to_c) / rate * 60.0 + _COOLING_SLACK_S
    try:
        await camera.until(cold, timeout_s=limit_s)
    except TimeoutError as error:
        state = camera.state
        reached = "?" if state is None or state.sensor_c is None else f"{state.sensor_c:.1f}"
        raise DutyFailedError(
            "camera",
            "not_cold",
            f"the sensor is at {reached} degC after {limit_s / 60:.0f} min, wanted {to_c:g} degC; "
            "ask for less cooling (cool_to_c) or check the cooler's supply",
        ) from error


class Open:
    """Open the roof."""

    name: ClassVar[str] = "open"
    cause: ClassVar[Cause] = "opening"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Answer when the sensor says open."""
        roof = context.device(context.rig.roof, "roof")
        await roof.do(OpenRoof(), timeout_s=_ROOF_S)
        try:
            await roof.until(lambda state: state.position == "open", timeout_s=20.0)
        except TimeoutError as error:
            raise DutyFailedError(
                "roof", "not_open", "the roof does not confirm that it is open; nothing may move"
            ) from error
