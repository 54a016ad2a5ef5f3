"""The temperature that the sensor should have, and the watch that it has it all night."""

from __future__ import annotations

from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.orders.models import CameraSettings
from midwatch.sequencer.decision import NOT_COLD
from midwatch.sequencer.duties import DutyContext
from midwatch.sequencer.facts import RigHistory
from midwatch.sequencer.faults import open_fault
from midwatch.sequencer.watches.fault_desk import FaultDesk

__all__ = ["ColdWatch", "set_point_c"]

# A sensor counts as warm at so many times the distance at which it counted as cold, for so long.
# Less: the swing of a cooler is taken for its end; more: frames are spoilt before it is reported.
_WARM_TIMES, _WARM_FOR_S = 2.0, 120.0


def set_point_c(settings: CameraSettings, record: NightRecord) -> float | None:
    """Return the temperature to cool to, degrees Celsius; None for a camera without cooling.

    It is the ordered one, or what the cooler was found to hold tonight where that is warmer.
    """
    if settings.cool_to_c is None or record.set_point is None:
        return settings.cool_to_c
    return record.set_point.setpoint_c


class ColdWatch:
    """Opens the fault of a sensor that grows warm in the night, and closes it; asked now and then.

    It is a fault of preparing: another attempt at that cools again.
    """

    def __init__(self, context: DutyContext, rig_history: RigHistory, desk: FaultDesk) -> None:
        self._context = context
        self._rig_history = rig_history
        self._desk = desk
        self._warm_since_s: float | None = None

    def look(self) -> None:
        """Compare the sensor with its set point."""
        context = self._context
        settings, camera = context.night.rig.camera, context.rig.camera
        state, wanted_c = camera.state, set_point_c(settings, context.record)
        reported = state is not None and state.connected and not camera.down
        sensor_c = state.sensor_c if state is not None and reported else None
        known = open_fault(context.record, "prepare", NOT_COLD, "camera")
        if sensor_c is None or wanted_c is None:
            self._warm_since_s = None
        elif known is not None:
            self._warm_since_s = None
            cold = sensor_c <= wanted_c + settings.cool_within_c
            if cold and known.began.fault == NOT_COLD and not self._worked_at(known):
                self._desk.close(known, _cold_again(sensor_c, wanted_c))
        elif context.record.duty is not None and context.record.duty[1].duty == "calibrate":
            # Darks are taken as warm as the lights were, whatever the set point is now.
            self._warm_since_s = None
        elif self._rig_history.prepared and self._warm(sensor_c - wanted_c):
            self._desk.open("camera", NOT_COLD, _message(sensor_c, wanted_c), "prepare")

    def _worked_at(self, fault: FaultRecord) -> bool:
        """Return whether a remedy is under way, which ends by saying how it went."""
        duty = self._context.record.duty
        return duty is not None and duty[1].args.get("fault_id") == fault.began.fault_id

    def _warm(self, above_c: float) -> bool:
        """Return whether the sensor has been too warm for long enough."""
        now_s = self._context.clock.mono()
        if above_c <= _WARM_TIMES * self._context.night.rig.camera.cool_within_c:
            self._warm_since_s = None
            return False
        if self._warm_since_s is None:
            self._warm_since_s = now_s
        return now_s - self._warm_since_s >= _WARM_FOR_S


def _cold_again(sensor_c: float, wanted_c: float) -> str:
    return f"the sensor is at {sensor_c:.1f} degC, and the set point is {wanted_c:g} degC"


def _message(sensor_c: float, wanted_c: float) -> str:
    return (
        f"the sensor is at {sensor_c:.1f} degC, wanted {wanted_c:g} degC; lights are taken all the "
        "same, and darks as warm as they were; check the cooler's supply and its fan"
    )
