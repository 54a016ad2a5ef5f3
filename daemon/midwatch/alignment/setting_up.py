"""Brings a rig up for work by hand at set-up time, and puts it away again."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from midwatch.clock import Clock
from midwatch.devices.client import RigClient
from midwatch.devices.contract import (
    CloseRoof,
    Connect,
    Cover,
    Move,
    OpenRoof,
    Park,
    Stop,
    StopGuiding,
)
from midwatch.errors import MidwatchError
from midwatch.orders.reading import Night
from midwatch.sequencer.duties import DutyFailedError
from midwatch.sequencer.facts import SafetyWatch

_ONLINE_S = 60.0
_CONNECT_S = 60.0
_ROOF_S = 180.0
_PARK_S = 300.0
_WEATHER_S = 60.0


async def make_ready(rig: RigClient, night: Night, clock: Clock, *, focus: bool) -> None:
    """Connect everything, make sure of the weather, open what covers the sky.

    Args:
        rig: the devices, listened to, under a lease.
        night: whose site and rig files hold the limits.
        clock: tells the time.
        focus: send the focuser to where the rig file has it begin.

    Raises:
        DutyFailedError: a device is missing or does not do its part, or the weather is unsafe.
    """
    missing = await rig.wait_online(_ONLINE_S)
    if missing:
        raise DutyFailedError(
            missing[0],
            "missing",
            f"not on the bus: {', '.join(missing)}; check power, cables and drivers",
        )
    for client in rig.devices.values():
        if client.state is not None and not client.state.connected:
            await client.do(Connect(), timeout_s=_CONNECT_S)
    await _require_fair_weather(rig, night, clock)
    if rig.guider is not None and rig.guider.state is not None:
        await rig.guider.do(StopGuiding(), timeout_s=30.0)
    if rig.roof is not None and (rig.roof.state is None or rig.roof.state.position != "open"):
        await rig.roof.do(OpenRoof(), timeout_s=_ROOF_S)
        await rig.roof.until(lambda state: state.position == "open", timeout_s=20.0)
    panel = rig.flat_panel
    if panel is not None and panel.state is not None and panel.state.cover == "closed":
        await panel.do(Cover(closed=False), timeout_s=60.0)
    if focus:
        settings = night.rig.focus
        # From below, as all focus positions are approached.
        for position in (
            settings.start_position - settings.backlash_steps,
            settings.start_position,
        ):
            await rig.focuser.do(Move(position=max(0, position)), timeout_s=300.0)


async def put_away(rig: RigClient) -> list[str]:
    """Stop, park, close the roof: each step whatever the others did; return what failed."""

    async def stop_camera() -> None:
        state = rig.camera.state
        if state is not None and state.phase == "exposing":
            await rig.camera.do(Stop(), timeout_s=20.0)

    async def halt() -> None:
        if rig.mount.state is not None and rig.mount.state.slewing:
            await rig.mount.do(Stop(), timeout_s=30.0)

    async def park() -> None:
        if rig.mount.state is None or not rig.mount.state.parked:
            await rig.mount.do(Park(), timeout_s=_PARK_S)
            await rig.mount.until(lambda state: state.parked, timeout_s=30.0)

    async def close_roof() -> None:
        roof, mount = rig.roof, rig.mount.state
        if roof is None or (roof.state is not None and roof.state.position == "closed"):
            return
        # The roof may strike a telescope that is not parked.
        if mount is None or not mount.parked:
            raise DutyFailedError("roof", "mount_not_parked", "not closed: the mount is not parked")
        await roof.do(CloseRoof(), timeout_s=_ROOF_S)

    steps: tuple[tuple[str, Callable[[], Awaitable[None]]], ...] = (
        ("camera", stop_camera),
        ("mount", halt),
        ("mount", park),
        ("roof", close_roof),
    )
    failures = []
    for device, step in steps:
        try:
            await step()
        except (MidwatchError, TimeoutError) as error:
            failures.append(f"{device}: {error}")
    return failures


async def _require_fair_weather(rig: RigClient, night: Night, clock: Clock) -> None:
    watch = SafetyWatch(night.site.safety, rig.weather is not None)
    ends_s = clock.mono() + _WEATHER_S
    while True:
        weather = rig.weather
        state = None if weather is None or weather.down else weather.state
        age_s = 0.0 if weather is None else weather.age_s()
        verdict = watch.update(state, age_s, clock.unix_s())
        if verdict.safe:
            return
        if clock.mono() >= ends_s:
            raise DutyFailedError("weather", "unsafe", f"nothing is opened: {verdict.reason}")
        await clock.sleep(5.0)
