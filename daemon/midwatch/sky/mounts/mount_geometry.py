"""What every kind of mount answers: its limits, its sides, its flips, and what they change.

Sides of the pier: `west` is the telescope west of the pier looking east, as before the meridian;
`east` is east of the pier looking west, as after a flip. A mount without sides has `unknown`.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal, NamedTuple, Protocol, Self, TypeAlias

import numpy as np

from midwatch.sky.vectors import BoolArray, FloatArray

__all__ = [
    "ArrivalSide",
    "AxisEnds",
    "CalibrationSide",
    "Course",
    "Direction",
    "MountGeometry",
    "PierSide",
    "Settings",
    "Stretch",
    "Turnover",
]

PierSide: TypeAlias = Literal["east", "west", "unknown"]
# On which side a slew is to end; None where the mount has no sides.
ArrivalSide: TypeAlias = Literal["east", "west"] | None
# Under which a guide calibration is kept; "none" holds wherever such a mount points.
CalibrationSide: TypeAlias = Literal["east", "west", "none", "unknown"]
LimitKind: TypeAlias = Literal["meridian", "axes"]
Settings: TypeAlias = Mapping[str, float]
Angle: TypeAlias = float | FloatArray


class Direction(NamedTuple):
    """Where a telescope points, of date and airless, degrees: numbers, or arrays of one shape.

    What is not known is not a number, and is not judged.
    """

    ha_deg: Angle
    dec_deg: Angle
    alt_deg: Angle
    az_deg: Angle


class Course(Protocol):
    """A target's way through the night, as far as flips and limits must know it."""

    def hour_angle_deg(self, at_s: float) -> float:
        """Return the hour angle in (-180, 180] degrees."""

    def next_at_hour_angle_s(self, ha_deg: float, after_s: float) -> float:
        """Return the first instant at or after ``after_s`` with this hour angle."""


@dataclass(frozen=True, slots=True)
class Turnover:
    """A flip that lies ahead, or may be done now.

    Attributes:
        side: of the pier, on which it ends.
        from_s: when it may be done at the earliest.
    """

    side: Literal["east", "west"]
    from_s: float


class Stretch(NamedTuple):
    """Hour angles, degrees from a transit, that can be tracked through without a flip."""

    from_deg: float
    until_deg: float


class AxisEnds(NamedTuple):
    """Angles of the polar axis outside which a telescope on that side has gone too far, degrees."""

    east_deg: float
    west_deg: float


class MountGeometry(ABC):
    """One kind of mount with its limits. Implementations are frozen and compare by value.

    What this class says is true of a mount without sides, which tracks a target from rising to
    setting and never flips.

    Class attributes:
        name: in the rig file.
        words: the kind, for people.
        takes: fields of the rig file that set its limits.
        sides: of the pier, on which the telescope can be.
        limit_kind: what a limit of the axes is called on the bus.
        field_turns: whether the sky turns about the middle of the frame while the mount tracks.
    """

    name: ClassVar[str]
    words: ClassVar[str]
    takes: ClassVar[tuple[str, ...]] = ()
    sides: ClassVar[tuple[PierSide, ...]] = ("unknown",)
    field_turns: ClassVar[bool] = False
    limit_kind: ClassVar[LimitKind] = "axes"

    @classmethod
    @abstractmethod
    def declared(cls, settings: Settings) -> Self:
        """Return the mount that a rig file declares, by the fields of `takes`."""

    # Limits ----------------------------------------------------------------------------------

    @abstractmethod
    def excess_deg(self, at: Direction, side: PierSide) -> Angle:
        """How far a direction is past the axes' limit on a side; not above zero where it is not."""

    @abstractmethod
    def limit_words(self, at: Direction, side: PierSide) -> str:
        """Say which limit a direction is past, with the values."""

    @abstractmethod
    def drawn_in(self, by_deg: float) -> Self:
        """Return a mount whose limits are stricter by an angle; a negative one makes them wider."""

    def overstep(self, at: Direction, side: PierSide) -> str | None:
        """Say which limit of the axes one direction is past, None where all are kept."""
        return self.limit_words(at, side) if self.excess_deg(at, side) > 0.0 else None

    def reaches(self, at: Direction) -> BoolArray:
        """Whether directions are inside the limits on any side."""
        excess = [np.asarray(self.excess_deg(at, side)) for side in self.sides]
        within: BoolArray = np.minimum.reduce(excess) <= 0.0
        return within

    def limit_s(self, course: Course, side: PierSide, now_s: float) -> float:  # noqa: ARG002
        """When a target that is tracked on a side from now on meets a limit; infinity for never."""
        return math.inf

    def stretches(self) -> tuple[Stretch, ...]:
        """What can be exposed between two flips, about a target's transit."""
        return (Stretch(-math.inf, math.inf),)

    # Sides and flips -------------------------------------------------------------------------

    @property
    def sided(self) -> bool:
        """Whether the telescope is on one side of a pier or the other."""
        return len(self.sides) > 1

    def side(self, reported: PierSide) -> PierSide:  # noqa: ARG002
        """Return the side that counts, given what the mount says."""
        return "unknown"

    def contradiction(self, reported: PierSide) -> str | None:
        """Say why what the mount reports cannot be true of this kind, None where it can."""
        if reported == "unknown":
            return None
        return (
            f"it says that the telescope is {reported} of a pier, and the rig file declares a "
            f"{self.words}; correct mount.geometry in the rig file"
        )

    def natural_side(self, ha_deg: float) -> PierSide:  # noqa: ARG002
        """Return the side from which the telescope looks at an hour angle without a flip."""
        return "unknown"

    def arrival_side(self, course: Course, now_s: float) -> ArrivalSide:  # noqa: ARG002
        """Return the side on which a slew to a target had best end."""
        return None

    def either_side(self, course: Course, at_s: float) -> bool:  # noqa: ARG002
        """Whether a slew that ends at an instant is inside the limits whichever side it takes."""
        return True

    def arrived_wrong(self, asked: ArrivalSide, reported: PierSide) -> bool:  # noqa: ARG002
        """Whether a slew has ended on another side than it was sent to."""
        return False

    @property
    def flips_to(self) -> ArrivalSide:
        """The side on which a flip ends; None for a mount that never flips."""
        return None

    @property
    def flip_from_ha_deg(self) -> float | None:
        """The hour angle from which a flip is possible; None for a mount that never flips."""
        return None

    def turnover(self, course: Course, side: PierSide, now_s: float) -> Turnover | None:  # noqa: ARG002
        """Return the flip that a telescope on a side has ahead of it, None where there is none."""
        return None

    def axis_ends(self) -> AxisEnds | None:
        """Within which a slew must be watched, None where it cannot end on a wrong side."""
        return None

    def axis_deg(self, ha_deg: float, dec_deg: float, side: PierSide) -> float | None:  # noqa: ARG002
        """Return the angle of the polar axis, or None where side and hour angle do not give it."""
        return None

    # What it means for camera, guiding and readers -------------------------------------------

    def camera_turn_deg(self, side: PierSide) -> float:  # noqa: ARG002
        """How far the camera is turned against the sky on a side, besides how it was mounted."""
        return 0.0

    def calibration_side(self, reported: PierSide) -> CalibrationSide:  # noqa: ARG002
        """Return the side under which a guide calibration is kept and found again."""
        return "none"

    def side_words(self, side: PierSide) -> str:  # noqa: ARG002
        """Say where the telescope is, for people; empty for a mount without sides."""
        return ""

    def header_side(self, reported: PierSide) -> Literal["EAST", "WEST"] | None:  # noqa: ARG002
        """Return what a frame's header says of the side; None leaves it out."""
        return None
