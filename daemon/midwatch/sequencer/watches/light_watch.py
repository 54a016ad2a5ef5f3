"""Whether light reaches the sensor when the shutter is said to be open."""

from __future__ import annotations

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.sequencer.decision import NO_LIGHT
from midwatch.sequencer.facts import dark_message, is_low, latest_lights
from midwatch.sequencer.watches.fault_desk import FaultDesk
from midwatch.sky import Horizon, Observer

__all__ = ["LightWatch"]


class LightWatch:
    """Opens the fault of a light path that is shut, and closes it; asked now and then."""

    def __init__(
        self, record: NightRecord, desk: FaultDesk, observer: Observer, horizon: Horizon
    ) -> None:
        self._record = record
        self._observer = observer
        self._horizon = horizon
        self._desk = desk
        self._seen = ""

    def look(self) -> None:
        """Judge the latest light frame."""
        lights = latest_lights(self._record, 2)
        if lights and lights[0].begun.exposure_id != self._seen:
            self._seen = lights[0].begun.exposure_id
            low = is_low(lights[0], self._record, self._observer, self._horizon)
            dark = dark_message(lights[0], self._record, low=low)
            if dark is not None and low and self._next_will_show(lights):
                return
            self._desk.hold("camera", NO_LIGHT, dark)

    def _next_will_show(self, lights: list[FrameRecord]) -> bool:
        """Return whether another target comes next, and shows if the light of all is missing.

        The first of two lights that are both dark was no reason to leave: there is nowhere to go.
        """
        record = self._record
        if len(record.planned.keys() - set(record.withdrawn)) < 2:
            return False
        return len(lights) < 2 or dark_message(lights[1], record, low=True) is None
