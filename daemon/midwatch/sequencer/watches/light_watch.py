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
            dark = dark_message(lights[0], self._record)
            if dark is not None and self._may_be_trees(lights):
                # Another target comes next, and shows whether the light of all of them is missing.
                return
            self._desk.hold("camera", NO_LIGHT, dark)

    def _may_be_trees(self, lights: list[FrameRecord]) -> bool:
        """Return whether the latest frame may be dark for trees, and the next one will show.

        The first of two lights that are both dark was no reason to leave: there is nowhere to go.
        """
        record = self._record
        if len(record.planned.keys() - set(record.withdrawn)) < 2:
            return False
        if len(lights) > 1 and dark_message(lights[1], record) is not None:
            return False
        return is_low(lights[0], record, self._observer, self._horizon)
