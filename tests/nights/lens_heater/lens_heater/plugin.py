"""The two plugins of the package; they import the public interface only."""

from __future__ import annotations

from typing import ClassVar, Literal

from midwatch.api.duty import Cause, DutyArgs, DutyContext, DutyFailedError, Notice, SetOutlet
from midwatch.api.lookout import Reading, View


class HeatLensArgs(DutyArgs):
    """Which outlet feeds the heater."""

    outlet: str = "heater"


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
    takes: ClassVar[type[DutyArgs]] = HeatLensArgs

    async def perform(self, context: DutyContext, args: HeatLensArgs) -> None:
        """Switch the outlet on and say so in the journal."""
        switch = context.device(context.rig.switch, "switch")
        if switch.state is not None and args.outlet not in switch.state.outlets:
            message = f"the switch has no outlet {args.outlet!r}"
            raise DutyFailedError("switch", "no_outlet", message)
        await switch.do(SetOutlet(outlet=args.outlet, on=True), timeout_s=20.0)
        context.note(Notice(message="the lens heater is on"))
