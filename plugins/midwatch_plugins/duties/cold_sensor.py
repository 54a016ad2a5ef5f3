"""Bring the camera's sensor to a temperature, and see where its cooler comes to its end."""

from __future__ import annotations

import math
from collections import deque
from typing import Literal

from midwatch.api.duty import CameraState, Cool, DeviceClient, DutyContext

__all__ = ["air_c", "bring_to", "given_up", "held_c", "uncooled", "watched"]

_ANSWER_S = 20.0
# How often the thermometer is read, and over how long its change is judged: at least several
# heartbeats of the camera, since some report no sooner. Shorter: a slow sensor counts as still;
# longer: a cooler that is at its end is waited for.
_LOOK_S, _WINDOW_S, _HEARTBEATS = 5.0, 60.0, 2.0
# A sensor that changes by less in that time is still, degrees Celsius a minute; less yet where the
# cooler was asked to be slow. Lower: the last tenths are waited for; higher: a cooler that is slow
# in the cold is taken for one at its end.
_STILL_C_MIN, _OF_RATE = 0.3, 0.5
# From this power on a cooler gives all that it has, percent. Some end a little short of 100.
_FULL_PERCENT = 97.0
# A still sensor whose cooler says that it has power left may be regulated late; not for longer.
_PATIENCE_S = 300.0
# Kept free above what a cooler holds at full power, degrees Celsius, and rounded up to a whole one:
# the air grows warmer too, and a regulated sensor is worth more than the last degree.
_RESERVE_C = 1.0
# A sensor no further below the air is not cooled at all, degrees Celsius.
_UNCOOLED_C = 4.0

End = Literal["cold", "end"]


async def bring_to(context: DutyContext, to_c: float) -> End:
    """Cool to a temperature and wait for it.

    Returns:
        "cold" when the sensor is there, or is colder and will not grow warmer by itself; "end" when
        it has come to rest above: the cooler holds no less.
    """
    camera = context.device(context.rig.camera, "camera")
    rate = context.night.rig.camera.cool_rate_c_per_min
    await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=_ANSWER_S)
    return await watched(context, camera, to_c)


async def watched(context: DutyContext, camera: DeviceClient[CameraState], to_c: float) -> End:
    """Wait until the sensor is at a temperature, or changes no more (see `bring_to`)."""
    settings, clock = context.night.rig.camera, context.clock
    window_s = max(_WINDOW_S, _HEARTBEATS * context.night.rig.bus.heartbeat_s)
    still_c_min = min(_STILL_C_MIN, _OF_RATE * settings.cool_rate_c_per_min)
    seen: deque[tuple[float, float]] = deque()
    began_s = clock.mono()
    while True:
        state, now_s = camera.state, clock.mono()
        sensor_c = None if state is None or camera.down else state.sensor_c
        if sensor_c is not None and abs(sensor_c - to_c) <= settings.cool_within_c:
            return "cold"
        if sensor_c is not None:
            seen.append((now_s, sensor_c))
        while seen and seen[0][0] < now_s - window_s:
            seen.popleft()
        if now_s - began_s >= window_s and _still(seen, still_c_min):
            power = None if state is None else state.cooler_percent
            if sensor_c is not None and sensor_c < to_c:
                return "cold"
            if power is None or power >= _FULL_PERCENT or now_s - began_s >= _PATIENCE_S:
                return "end"
        await clock.sleep(_LOOK_S)


def _still(seen: deque[tuple[float, float]], c_min: float) -> bool:
    """Return whether a sensor has hardly changed; one that cannot be read counts as such."""
    if len(seen) < 2:
        return True
    (first_s, first_c), (last_s, last_c) = seen[0], seen[-1]
    return abs(last_c - first_c) <= c_min * (last_s - first_s) / 60.0


def held_c(sensor_c: float) -> float:
    """Return the set point for a cooler that is at its end here: with some reserve."""
    return float(math.ceil(sensor_c + _RESERVE_C))


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
