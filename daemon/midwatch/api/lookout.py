"""For the author of a lookout: something that watches a condition all night and gives its level.

A lookout turns a `View`, an instant of the night, into a `Reading`. It keeps no state and does no
input or output. When it trips and clears, and after how long, is seen to elsewhere: by ``trip`` and
``clear``, or what a standing order says instead. ``missing`` says what a level of None means.

Example, for the entry point ``draught`` in ``midwatch.lookouts``::

    from typing import ClassVar, Literal

    from midwatch.api.lookout import Reading, View


    class Draught:
        name: ClassVar[str] = "draught"
        unit: ClassVar[str] = "m/s"
        trip: ClassVar[float] = 5.0
        clear: ClassVar[float] = 4.0
        missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

        def read(self, view: View) -> Reading:
            if view.weather is None or view.weather.wind_ms is None:
                return Reading(None, "no wind reading")
            return Reading(view.weather.wind_ms, f"wind of {view.weather.wind_ms:.1f} m/s")
"""

from midwatch.devices.contract.kinds import (
    CameraState,
    FocuserState,
    GuiderState,
    MountState,
    WeatherState,
)
from midwatch.sequencer.facts import Lookout, Reading, View

__all__ = [
    "CameraState", "FocuserState", "GuiderState", "Lookout", "MountState", "Reading", "View",
    "WeatherState",
]  # fmt: skip
