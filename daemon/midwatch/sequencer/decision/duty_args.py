"""What each duty is given: one frozen model for each, which decisions name and duties take.

The models of the core are the list of what `decide` may choose (`CORE_DUTIES`); an installed duty
of each name must take that very model. Nothing in here knows a clock, the bus or a device.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, JsonValue, ValidationError

__all__ = [
    "CORE_DUTIES", "CalibrateArgs", "CentreArgs", "CloseArgs", "ConnectArgs", "CoreArgs",
    "DitherArgs", "DutyArgs", "EndNightArgs", "EngineWord", "ExposeArgs", "FinishArgs", "FlipArgs",
    "FocusArgs", "GuideArgs", "HaltArgs", "LessCoolingArgs", "NamedArgs", "NoArgs", "OfTarget",
    "OpenArgs", "PowerCycleArgs", "PrepareArgs", "RecalibrateArgs", "ReconnectArgs",
    "RestTargetArgs", "RestartDriverArgs", "SecureArgs", "SlewArgs", "WaitArgs", "args_needed",
]  # fmt: skip


class DutyArgs(BaseModel):
    """The arguments of a duty: frozen, and nothing in them that the duty does not know.

    A duty of another package that a standing order may name derives its own model, with a default
    for each field, or takes `NoArgs`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    @classmethod
    def for_standing_order(cls, when: str) -> Self:  # noqa: ARG003
        """Return what the duty is given by a standing order whose lookout ``when`` has tripped.

        Raises:
            ValidationError: a standing order does not say all that it needs.
        """
        return cls()

    def journaled(self) -> dict[str, JsonValue]:
        """Return what the journal holds of them: whatever is not as it is by default."""
        return self.model_dump(exclude_defaults=True)


class NoArgs(DutyArgs):
    """For a duty that takes no arguments."""


class NamedArgs(DutyArgs):
    """Arguments that know for what they are.

    Class attributes:
        duty: its name.
    """

    duty: ClassVar[str]


# Of the core --------------------------------------------------------------------------------------


class CoreArgs(NamedArgs):
    """Arguments of a duty that the core itself chooses, and that must be installed."""


class OfTarget(CoreArgs):
    """Base of duties that work on a target of the orders."""

    target: str


class ConnectArgs(CoreArgs):
    """Bring the devices up; ``spool`` "leave" leaves what waits in the camera's spool there."""

    duty = "connect"
    spool: Literal["file", "leave"] = "file"


class PrepareArgs(CoreArgs):
    """Cool the camera."""

    duty = "prepare"


class OpenArgs(CoreArgs):
    """Open the roof."""

    duty = "open"


class SlewArgs(OfTarget):
    """Slew to a target; ``pier_side`` is where to arrive, None for wherever the mount likes."""

    duty = "slew"
    pier_side: Literal["east", "west"] | None = None


class CentreArgs(OfTarget):
    """Bring a target to the middle of the field."""

    duty = "centre"


class FlipArgs(OfTarget):
    """Bring the telescope to the other side of the pier, on the same target."""

    duty = "flip"


class HaltArgs(CoreArgs):
    """Stop tracking."""

    duty = "halt"


class FocusArgs(CoreArgs):
    """Find focus.

    Attributes:
        trigger: what asked for it: a lookout, "first", "flip", "filter", "remedy".
        filter: through which; None for the one in the beam.
    """

    duty = "focus"
    trigger: str
    filter: str | None = None

    @classmethod
    def for_standing_order(cls, when: str) -> Self:
        """Return a run that the lookout has asked for."""
        return cls(trigger=when)


class GuideArgs(CoreArgs):
    """Start guiding."""

    duty = "guide"


class DitherArgs(CoreArgs):
    """Shift the field a little between frames.

    Attributes:
        by: "guider" shifts what it guides on; without guiding the "mount" is moved.
    """

    duty = "dither"
    by: Literal["guider", "mount"] = "guider"


class ExposeArgs(OfTarget):
    """Take one light frame.

    Attributes:
        order_index: which of the target's frame orders it is for, from 0.
        filter: as that order says.
        exposure_s: shorter than that order says where the rig is not guided.
    """

    duty = "expose"
    order_index: int
    filter: str | None
    exposure_s: float


class CalibrateArgs(CoreArgs):
    """Take a set of ``count`` calibration frames; ``exposure_s`` of flats is for the duty to find.

    Attributes:
        filter: None for darks and bias, and without a wheel.
        sensor_c: temperature that the sensor should have; None where it is no matter.
    """

    duty = "calibrate"
    frame: Literal["dark", "flat", "bias"]
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    count: int
    sensor_c: float | None = None


class SecureArgs(CoreArgs):
    """Make the rig safe; ``roof`` "leave" leaves the roof as it is."""

    duty = "secure"
    roof: Literal["close", "leave"] = "close"


class CloseArgs(CoreArgs):
    """Put the rig away at the end of the night.

    Attributes:
        for_now: leave cover, camera and spool as they are: the night is still to come.
    """

    duty = "close"
    for_now: bool = False


class ReconnectArgs(CoreArgs):
    """Close and open the link of a device."""

    duty = "reconnect"
    device: str


class RestartDriverArgs(CoreArgs):
    """Start the driver of a device again."""

    duty = "restart_driver"
    device: str


class PowerCycleArgs(CoreArgs):
    """Take the power from a device for some seconds; ``outlet`` of the switch feeds it."""

    duty = "power_cycle"
    device: str
    outlet: str


class RecalibrateArgs(CoreArgs):
    """Start guiding with a new calibration; ``device`` is whose fault that is to cure."""

    duty = "recalibrate"
    device: str | None = None


class LessCoolingArgs(CoreArgs):
    """Ask the cooler for less; ``device`` is whose fault that is to cure."""

    duty = "less_cooling"
    device: str | None = None


# Words of the engine ------------------------------------------------------------------------------


class EngineWord(NamedArgs):
    """What decisions name and the engine does itself; no duty is installed for it."""


class WaitArgs(EngineWord):
    """Wait; as a remedy of a fault of ``device``, look again."""

    duty = "wait"
    device: str | None = None


class FinishArgs(EngineWord):
    """End the night: nothing is left to be done."""

    duty = "finish"


class RestTargetArgs(EngineWord):
    """Remedy: leave the target of the fault alone for a while."""

    duty = "rest_target"
    device: str


class EndNightArgs(EngineWord):
    """Remedy: have the night closed."""

    duty = "close"
    device: str


def _leaves(model: type[CoreArgs]) -> Iterator[type[CoreArgs]]:
    below = model.__subclasses__()
    if not below:
        yield model
    for derived in below:
        yield from _leaves(derived)


# Every duty that the core may choose, by name.
CORE_DUTIES: Mapping[str, type[CoreArgs]] = MappingProxyType(
    {model.duty: model for model in _leaves(CoreArgs)}
)


def args_needed(model: type[DutyArgs]) -> tuple[str, ...]:
    """Return the arguments of a duty that a standing order does not give; () when it gives all."""
    try:
        model.for_standing_order("a lookout")
    except ValidationError as error:
        return tuple(str(item["loc"][0]) for item in error.errors() if item["loc"])
    return ()
