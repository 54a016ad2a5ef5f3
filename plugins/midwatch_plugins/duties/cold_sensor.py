"""Bring the camera's sensor to a temperature, and see where its cooler comes to its end."""

from __future__ import annotations

from typing import Literal

from midwatch.api.duty import CameraState, Cool, CoolerCourse, DeviceClient, DutyContext

__all__ = ["air_c", "bring_to", "given_up", "uncooled", "watched"]

_ANSWER_S = 20.0
# How often the thermometer is read.
_LOOK_S = 5.0
# A sensor no further below the air is not cooled at all, degrees Celsius.
_UNCOOLED_C = 4.0


async def bring_to(context: DutyContext, to_c: float) -> Literal["cold", "end"]:
    """Cool to a temperature and wait for it.

    Returns:
        "cold" when the sensor is there, or is colder and will not grow warmer by itself; "end" when
        it has come to rest above: the cooler holds no less.
    """
    camera = context.device(context.rig.camera, "camera")
    rate = context.night.rig.camera.cool_rate_c_per_min
    await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=_ANSWER_S)
    return await watched(context, camera, to_c)


async def watched(
    context: DutyContext, camera: DeviceClient[CameraState], to_c: float
) -> Literal["cold", "end"]:
    """Wait until the sensor is at a temperature, or changes no more (see `bring_to`)."""
    clock, rig = context.clock, context.night.rig
    course = CoolerCourse(to_c, rig.camera, rig.bus.heartbeat_s, clock.mono())
    while True:
        state = None if camera.down else camera.state
        sensor_c = None if state is None else state.sensor_c
        power = None if state is None else state.cooler_percent
        ended = course.take(clock.mono(), sensor_c, power)
        if ended is not None:
            return ended
        await clock.sleep(_LOOK_S)


def air_c(context: DutyContext) -> float | None:
    """Return the temperature of the air: of the weather sensor, else of the focuser's probe."""
    weather, focuser = context.rig.weather, context.rig.focuser
    if weather is not None and not weather.down and weather.state is not None:
        return weather.state.air_c
    return focuser.state.temperature_c if focuser.state is not None else None


def given_up(context: DutyContext) -> bool:
    """Return whether the cooler was found to do nothing, and still does nothing."""
    return uncooled(context) and any(
        fault.began.fault == "not_cold"
        and any(tried.outcome == "failed" for _, tried in fault.remedies)
        for fault in context.record.open_faults()
    )


def uncooled(context: DutyContext) -> bool:
    """Return whether the sensor is about as warm as the air, so that nothing seems to cool it."""
    state, air = context.rig.camera.state, air_c(context)
    return (
        state is not None
        and state.sensor_c is not None
        and air is not None
        and state.sensor_c > air - _UNCOOLED_C
    )
