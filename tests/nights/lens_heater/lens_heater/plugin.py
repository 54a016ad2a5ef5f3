"""The two plugins of the package; they import the public interface only."""

from __future__ import annotations

from typing import ClassVar, Literal

from midwatch.api import Args, Cause, DutyContext, DutyFailedError, Notice, Reading, SetOutlet, View

OUTLET = "heater"


class Damp:
    """Relative humidity, percent; trips when the air is damp."""

    name: ClassVar[str] = "damp"
    unit: ClassVar[str] = "percent"
    trip: ClassVar[float] = 70.0
    clear: ClassVar[float] = 60.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Pass on the humidity until the heater has been switched on by us."""
        if view.weather is None or view.weather.humidity_percent is None:
            return Reading(None, "no humidity reading")
        humidity = view.weather.humidity_percent
        return Reading(humidity, f"humidity {humidity:.0f} %")


class HeatLens:
    """Switch the lens heater on."""

    name: ClassVar[str] = "heat_lens"
    cause: ClassVar[Cause] = "standing_order"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Switch the outlet on and say so in the journal."""
        switch = context.device(context.rig.switch, "switch")
        if switch.state is not None and OUTLET not in switch.state.outlets:
            raise DutyFailedError("switch", "no_outlet", f"the switch has no outlet {OUTLET!r}")
        await switch.do(SetOutlet(outlet=OUTLET, on=True), timeout_s=20.0)
        context.note(Notice(message="the lens heater is on"))
