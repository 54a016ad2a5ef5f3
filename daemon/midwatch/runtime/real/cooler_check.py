"""Measures what a camera's cooler holds, before a night: cools to the set point, warms up again.

The cooler is asked for no more, and no faster, than a night would ask. What it holds is said with
the air's temperature: at night the air is colder, and so is the sensor that a cooler can hold.
"""

from __future__ import annotations

from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import DeviceState
from midwatch.devices.contract.kinds import CameraState, Cool, Warm
from midwatch.orders.models import CameraSettings
from midwatch.sequencer.camera import CoolerCourse, held_c

__all__ = ["cooler_reach"]

_ANSWER_S = 20.0
_LOOK_S = 5.0
# A cooler that has come to no end by then is reported as it is. Shorter: slow coolers stay
# unknown; longer: nobody waits.
_LONGEST_S = 1800.0
_WARMING_S = 1800.0
# From this share of its power on a cooler has little left for a warmer night, percent.
_HARD_PERCENT = 85.0
# A cooler that holds the sensor no further below where it was does nothing, degrees Celsius.
_NOTHING_C = 2.0


async def cooler_reach(
    camera: DeviceClient[DeviceState],
    settings: CameraSettings,
    heartbeat_s: float,
    clock: Clock,
    air_c: float | None,
) -> tuple[str, bool]:
    """Cool the camera as a night does, see what it holds, and warm it up again.

    Returns:
        What was seen, in words, and whether it is what is wanted.
    """
    to_c = settings.cool_to_c
    assert to_c is not None
    warm_c = _read(camera)[0]
    rate = settings.cool_rate_c_per_min
    began_s = clock.mono()
    course = CoolerCourse(to_c, settings, heartbeat_s, began_s)
    await camera.do(Cool(setpoint_c=to_c, rate_c_per_min=rate), timeout_s=_ANSWER_S)
    try:
        ended = None
        while ended is None and clock.mono() - began_s < _LONGEST_S:
            await clock.sleep(_LOOK_S)
            ended = course.take(clock.mono(), *_read(camera))
        sensor_c, power = _read(camera)
        if ended == "cold":
            # The regulation has settled by then, and the power says what holding costs.
            await clock.sleep(max(60.0, heartbeat_s))
            sensor_c, power = _read(camera)
    finally:
        await camera.do(Warm(rate_c_per_min=settings.warm_rate_c_per_min), timeout_s=_ANSWER_S)
        ends_s = clock.mono() + _WARMING_S
        while _is_cooled(camera) and clock.mono() < ends_s:
            await clock.sleep(_LOOK_S)
    return _said(ended, to_c, sensor_c, power, air_c, warm_c)


def _read(camera: DeviceClient[DeviceState]) -> tuple[float | None, float | None]:
    state = None if camera.down else camera.state
    if not isinstance(state, CameraState):
        return None, None
    return state.sensor_c, state.cooler_percent


def _is_cooled(camera: DeviceClient[DeviceState]) -> bool:
    state = camera.state
    return not camera.down and isinstance(state, CameraState) and state.cooler_on


def _said(
    ended: str | None,
    to_c: float,
    sensor_c: float | None,
    power: float | None,
    air_c: float | None,
    warm_c: float | None,
) -> tuple[str, bool]:
    air = "" if air_c is None else f", the air being at {air_c:.1f} degC"
    at = "" if power is None else f" at {power:.0f} % of its power"
    if sensor_c is None:
        return "its sensor's temperature cannot be read, so its cooler was not measured", False
    if ended == "cold":
        hard = power is not None and power >= _HARD_PERCENT
        more = "; a warmer night is too much for it" if hard else ""
        return f"cools to {to_c:g} degC{at}{air}{more}", not hard
    if ended is None:
        return f"is at {sensor_c:.1f} degC after {_LONGEST_S / 60:.0f} min{at}{air}", False
    reference_c = warm_c if air_c is None else air_c
    if warm_c is not None and sensor_c > warm_c - _NOTHING_C:
        return (
            f"its cooler does nothing: the sensor stays at {sensor_c:.1f} degC{at}{air}; "
            "check its supply and fan",
            False,
        )
    depth = "" if reference_c is None else f", {reference_c - sensor_c:.0f} degC below the air"
    return (
        f"its cooler holds {sensor_c:.1f} degC{at}{depth}, not {to_c:g} degC: under such air a "
        f"night would take {held_c(sensor_c):g} degC (cool_to_c)",
        False,
    )
