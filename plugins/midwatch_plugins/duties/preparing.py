"""Connect, check and cool the rig; open the roof."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api.duty import (
    CameraState,
    Cause,
    CommandError,
    Connect,
    ConnectArgs,
    Cool,
    DeviceClient,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    Notice,
    OpenArgs,
    OpenRoof,
    PrepareArgs,
    collect_waiting,
    motion_ended,
    set_point_c,
)
from midwatch_plugins.duties.cold_sensor import air_c, bring_to, given_up, uncooled

# Without these no night begins.
_NEEDED = ("mount", "camera", "focuser", "roof")
_ONLINE_S = 60.0
_CONNECT_S = 60.0
_ROOF_S = 180.0
_ANSWER_S = 20.0
# What to try with devices that have ways of their own of not being there.
_ADVICE = {
    "guide_camera": "check its cable and power, try another port without a hub, and close other "
    "programs that may hold it",
}
# A cooler that has given up is asked again for so long only, in which one that lives shows it by
# that fall. Longer: each attempt costs the night's light; shorter: no thermometer follows.
_GLANCE_S, _FALL_C = 20.0, 0.3


class ConnectRig:
    """Bring every device up, and collect frames left in the camera's spool."""

    name: ClassVar[str] = "connect"
    cause: ClassVar[Cause] = "preparing"
    takes: ClassVar[type[DutyArgs]] = ConnectArgs

    async def perform(self, context: DutyContext, args: ConnectArgs) -> None:
        """Answer when every device that the night needs talks to its hardware.

        The others may come later: what is done about them is the business of their own faults.
        ``spool: leave`` leaves the frames in the camera's spool to the night that knows them.
        """
        missing = await context.rig.wait_online(_ONLINE_S)
        failures: list[DutyFailedError] = []
        if needed := [role for role in missing if role in _NEEDED]:
            what = f"not on the bus: {', '.join(missing)}; check power, cables and drivers"
            failures.append(DutyFailedError(needed[0], "missing", what))
        # All of them, whichever is missing: one that is unplugged keeps no other from being ready.
        for role, client in context.rig.devices.items():
            if client.down or client.state is None or client.state.connected:
                continue
            try:
                await self._connect(role, client)
            except DutyFailedError as error:
                if role in _NEEDED:
                    failures.append(error)
                else:
                    context.note(Notice(message=f"the night begins without it: {error}"))
        if failures:
            raise _together(failures)
        wrong = context.geometry.contradiction(context.mount_state().pier_side)
        if wrong is not None:
            context.note(Notice(message=f"the mount: {wrong}"))
        if context.mount_state().parked:
            motion_ended(context, "park")
        if args.spool != "leave":
            await _collect(context)

    async def _connect(self, role: str, client: DeviceClient) -> None:  # type: ignore[type-arg]
        try:
            await client.do(Connect(), timeout_s=_CONNECT_S)
        except CommandError as error:
            what = f"the {role.replace('_', ' ')} does not connect: {error.message}"
            if "check" not in error.message or role in _ADVICE:
                what += f"; {_ADVICE.get(role, 'check its power and cable')}"
            raise DutyFailedError(role, "not_connected", what) from error


def _together(failures: list[DutyFailedError]) -> DutyFailedError:
    """Return one failure that says what all of them say; the first names the device."""
    first = failures[0]
    return DutyFailedError(first.device, first.fault, "; ".join(map(str, failures)))


async def _collect(context: DutyContext) -> None:
    """File what the camera's spool holds; for want of room on the disk it waits there."""
    try:
        found = await collect_waiting(context)
    except DutyFailedError as error:
        if error.device != "disk":
            raise
        context.note(Notice(message=f"frames wait in the camera's spool: {error}"))
    else:
        if found:
            context.note(Notice(message=f"{found} frames waited in the camera's spool"))


class Prepare:
    """Cool the camera."""

    name: ClassVar[str] = "prepare"
    cause: ClassVar[Cause] = "preparing"
    takes: ClassVar[type[DutyArgs]] = PrepareArgs

    async def perform(self, context: DutyContext, args: PrepareArgs) -> None:
        """Answer when the sensor is at its temperature; a camera without set point is ready.

        What a camera that was lost still holds in its spool is collected first.
        """
        if context.record.frames:
            await _collect(context)
        to_c = set_point_c(context.night.rig.camera, context.record)
        if to_c is not None:
            await _cool(context, to_c)


async def _cool(context: DutyContext, to_c: float) -> None:
    """Cool, and wait until the sensor is cold.

    Raises:
        DutyFailedError: the cooler does not hold that.
    """
    camera = context.device(context.rig.camera, "camera")
    if given_up(context) and not await _falls(context, camera, to_c):
        raise DutyFailedError("camera", "not_cold", _not_cold(context, to_c))
    if await bring_to(context, to_c) == "end":
        raise DutyFailedError("camera", "not_cold", _not_cold(context, to_c))


async def _falls(context: DutyContext, camera: DeviceClient[CameraState], to_c: float) -> bool:
    """Ask a cooler again; return whether the sensor begins to fall."""
    before_c = camera.state.sensor_c if camera.state is not None else None
    rate = context.night.rig.camera.cool_rate_c_per_min
    await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=_ANSWER_S)
    await context.clock.sleep(_GLANCE_S)
    after_c = camera.state.sensor_c if camera.state is not None else None
    return before_c is not None and after_c is not None and after_c <= before_c - _FALL_C


def _not_cold(context: DutyContext, to_c: float) -> str:
    state, air = context.rig.camera.state, air_c(context)
    reached = "?" if state is None or state.sensor_c is None else f"{state.sensor_c:.1f}"
    power = None if state is None else state.cooler_percent
    said = "" if power is None else f" at {power:.0f} % of the cooler's power"
    below = "" if air is None else f", the air is at {air:.1f} degC"
    if uncooled(context):
        return (
            f"the cooler does nothing: the sensor is at {reached} degC{said}{below}; lights are "
            "taken all the same, and darks at dawn as warm as they were; check its supply and fan"
        )
    return (
        f"the sensor is at {reached} degC{said}{below}, and comes no nearer to {to_c:g} degC; "
        "order what it holds (cool_to_c), or check the cooler's supply and fan"
    )


class Open:
    """Open the roof."""

    name: ClassVar[str] = "open"
    cause: ClassVar[Cause] = "opening"
    takes: ClassVar[type[DutyArgs]] = OpenArgs

    async def perform(self, context: DutyContext, args: OpenArgs) -> None:
        """Answer when the sensor says open."""
        roof = context.device(context.rig.roof, "roof")
        await roof.do(OpenRoof(), timeout_s=_ROOF_S)
        try:
            await roof.until(lambda state: state.position == "open", timeout_s=20.0)
        except TimeoutError as error:
            raise DutyFailedError(
                "roof", "not_open", "the roof does not confirm that it is open; nothing may move"
            ) from error
