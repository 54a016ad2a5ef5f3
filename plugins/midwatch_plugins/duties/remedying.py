"""Remedies that bring devices back: the link, the driver, the power; guiding and cooling again.

None of them moves anything: what was brought back is made ready by the duties that follow.
"""

from __future__ import annotations

import contextlib
from typing import ClassVar

from midwatch.api.duty import (
    CameraState,
    Cause,
    CommandError,
    Connect,
    Cool,
    CycleOutlet,
    DeviceClient,
    DeviceState,
    Disconnect,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    LessCoolingArgs,
    MidwatchError,
    Notice,
    PowerCycleArgs,
    RecalibrateArgs,
    ReconnectArgs,
    RestartDriverArgs,
    SetPointChosen,
    Stop,
    held_c,
    set_point_c,
)
from midwatch_plugins.duties.cold_sensor import air_c, watched
from midwatch_plugins.duties.guiding import start_guiding

_CONNECT_S = 60.0
_ANSWER_S = 20.0
# A driver that was started again has this long to come up, and so long by the wall clock: in scaled
# time a process starts no faster than in any other.
_COME_UP_S, _COME_UP_WALL_S = 90.0, 20.0
# Where the way to all devices was away, they come back one after the other: each connects again by
# itself, after pauses of up to 20 s by the wall clock. Less: a driver on its way is ended, and
# with it its exposure and its account of the silence; more: a dead one waits for its remedy.
_ALL_BACK_WALL_S = 25.0
_OFF_S = 5.0
# Devices take some seconds to start once they have power; a few attempts save a whole rung.
_BOOT_S, _BOOT_TRIES = 10.0, 3


def _client(context: DutyContext, role: str) -> DeviceClient[DeviceState]:
    client = context.rig.devices.get(role)
    if client is None:
        raise DutyFailedError(role, "missing", f"the rig has no {role.replace('_', ' ')}")
    return client


async def _open_link(client: DeviceClient[DeviceState]) -> None:
    """Open the link of a device and see that it is open.

    Raises:
        DutyFailedError: it is not; other errors of the bus as they come.
    """
    named = client.name.replace("_", " ")
    if client.down:
        raise DutyFailedError(client.name, "silent", f"the {named} is silent")
    await client.do(Connect(), timeout_s=_CONNECT_S)
    try:
        await client.until(lambda state: state.connected, timeout_s=_ANSWER_S)
    except TimeoutError as error:
        raise DutyFailedError(
            client.name, "not_connected", f"the {named} does not confirm that its link is open"
        ) from error


async def _end_exposure(client: DeviceClient[DeviceState]) -> None:
    """Stop a camera whose exposure does not end: while it exposes it refuses all else as busy."""
    state = client.state
    if isinstance(state, CameraState) and state.phase != "idle" and not client.down:
        await client.do(Stop(), timeout_s=_ANSWER_S)


class Reconnect:
    """Close the link of a device, where it is open, and open it."""

    name: ClassVar[str] = "reconnect"
    cause: ClassVar[Cause] = "fault"
    takes: ClassVar[type[DutyArgs]] = ReconnectArgs

    async def perform(self, context: DutyContext, args: ReconnectArgs) -> None:
        """Answer when the device says that it is connected."""
        client = _client(context, args.device)
        await _end_exposure(client)
        if client.state is not None and client.state.connected and not client.down:
            with contextlib.suppress(CommandError):
                await client.do(Disconnect(), timeout_s=_ANSWER_S)
        await _open_link(client)


class RestartDriver:
    """Have the driver of a device started again, and open its link."""

    name: ClassVar[str] = "restart_driver"
    cause: ClassVar[Cause] = "fault"
    takes: ClassVar[type[DutyArgs]] = RestartDriverArgs

    async def perform(self, context: DutyContext, args: RestartDriverArgs) -> None:
        """Answer when the device is on the bus again and connected."""
        client = _client(context, args.device)
        supervisor = context.supervisor
        if supervisor is None or client.name not in supervisor.roles:
            raise DutyFailedError(
                client.name, "not_minded", f"nothing here can start the driver of {client.name}"
            )
        if await _back_like_others(context, client):
            named = client.name.replace("_", " ")
            context.note(
                Notice(
                    message=f"the {named} came back by itself, like the other devices; its driver "
                    "was not started again"
                )
            )
        else:
            await supervisor.restart(client.name)
            await _come_up(context, client)
        await _open_link(client)


async def _back_like_others(context: DutyContext, client: DeviceClient[DeviceState]) -> bool:
    """Return whether a silent device comes back by itself, as others have just done."""
    limit_s = _ALL_BACK_WALL_S * context.clock.speed
    others = [other for other in context.rig.devices.values() if other is not client]
    was_down, until_s = client.down, context.clock.mono() + limit_s
    while client.down and context.clock.mono() < until_s:
        if not any(other.back_s() < limit_s for other in others):
            break
        await context.clock.sleep(1.0)
    return was_down and not client.down


async def _come_up(context: DutyContext, client: DeviceClient[DeviceState]) -> None:
    limit_s = max(_COME_UP_S, _COME_UP_WALL_S * context.clock.speed)
    until_s = context.clock.mono() + limit_s
    while client.down:
        if context.clock.mono() >= until_s:
            raise DutyFailedError(
                client.name, "silent", f"the driver has not reported {limit_s:.0f} s after it was "
                "started",
            )  # fmt: skip
        await context.clock.sleep(1.0)


class PowerCycle:
    """Take the power from a device for some seconds, and open its link."""

    name: ClassVar[str] = "power_cycle"
    cause: ClassVar[Cause] = "fault"
    takes: ClassVar[type[DutyArgs]] = PowerCycleArgs

    async def perform(self, context: DutyContext, args: PowerCycleArgs) -> None:
        """Answer when the device is connected again."""
        client = _client(context, args.device)
        switch = context.device(context.rig.switch, "switch")
        cycle = CycleOutlet(outlet=args.outlet, off_s=_OFF_S)
        await switch.do(cycle, timeout_s=_OFF_S + _ANSWER_S)
        for left in reversed(range(_BOOT_TRIES)):
            await context.clock.sleep(_BOOT_S)
            try:
                await _open_link(client)
            except MidwatchError:
                if not left:
                    raise
            else:
                return


class Recalibrate:
    """Start guiding with a new calibration."""

    name: ClassVar[str] = "recalibrate"
    cause: ClassVar[Cause] = "guiding"
    takes: ClassVar[type[DutyArgs]] = RecalibrateArgs

    async def perform(self, context: DutyContext, args: RecalibrateArgs) -> None:
        """Answer when guiding has settled."""
        await start_guiding(context, recalibrate=True)


class LessCooling:
    """Take as set point what the cooler can hold."""

    name: ClassVar[str] = "less_cooling"
    cause: ClassVar[Cause] = "fault"
    takes: ClassVar[type[DutyArgs]] = LessCoolingArgs

    async def perform(self, context: DutyContext, args: LessCoolingArgs) -> None:
        """See where the cooler comes to its end, and set that, with some reserve.

        Raises:
            DutyFailedError: the sensor grows cold after all.
        """
        camera = context.device(context.rig.camera, "camera")
        settings = context.night.rig.camera
        ordered_c = set_point_c(settings, context.record)
        if ordered_c is None:
            raise DutyFailedError("camera", "no_cooling", "no set point is ordered (cool_to_c)")
        cold = await watched(context, camera, ordered_c) == "cold"
        state = camera.state
        if cold or state is None or state.sensor_c is None:
            raise DutyFailedError("camera", "not_cold", "the sensor grows colder by itself")
        to_c = max(held_c(state.sensor_c), ordered_c)
        context.note(
            SetPointChosen(
                setpoint_c=to_c,
                holds_c=state.sensor_c,
                ordered_c=ordered_c,
                air_c=air_c(context),
                power_percent=state.cooler_percent,
            )
        )
        rate = settings.cool_rate_c_per_min
        await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=_ANSWER_S)
        context.note(
            Notice(
                message=f"the cooler holds {state.sensor_c:.1f} degC and no less: the set point is "
                f"{to_c:g} degC from now on; darks are taken as warm as each light was"
            )
        )
