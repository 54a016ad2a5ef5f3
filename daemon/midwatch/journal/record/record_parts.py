"""The parts of a night's record: one exposure, one focus run, one fault."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from midwatch.journal.facts import (
    FaultBegan,
    FaultEnded,
    FocusRun,
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameLost,
    FrameRead,
    Grade,
    RemedyTried,
)

__all__ = [
    "FaultRecord", "FocusMoment", "FocusSettled", "FrameRecord", "FrameState", "OrderKey",
]  # fmt: skip

FrameState = Literal["begun", "read", "filed", "graded", "lost"]
OrderKey: TypeAlias = tuple[str, int]


@dataclass(slots=True)
class FrameRecord:
    """One exposure from its command to its verdict; facts are None until they happen.

    `graded` holds the latest grade; `first_grade` is that of a frame that was looked at again.
    `order_index` is the frame order that it serves; orders that are changed may renumber it.
    """

    begun_at_utc_s: float
    begun: FrameBegun
    read: FrameRead | None = None
    filed: FrameFiled | None = None
    graded: FrameGraded | None = None
    lost: FrameLost | None = None
    first_grade: Grade | None = None
    order_index: int | None = field(init=False)

    def __post_init__(self) -> None:
        self.order_index = self.begun.order_index

    @property
    def exposure_id(self) -> str:
        """Identifier that the daemon gave."""
        return self.begun.exposure_id

    @property
    def is_light(self) -> bool:
        """Whether it is a light frame."""
        return self.begun.frame == "light"

    @property
    def order_key(self) -> OrderKey | None:
        """Target and index of the frame order that it serves, if any."""
        if self.begun.target is None or self.order_index is None:
            return None
        return self.begun.target, self.order_index

    @property
    def state(self) -> FrameState:
        """How far it came."""
        if self.graded is not None:
            return "graded"
        if self.filed is not None:
            return "filed"
        if self.lost is not None:
            return "lost"
        return "begun" if self.read is None else "read"

    @property
    def accepted(self) -> bool:
        """Whether it was accepted."""
        return self.graded is not None and self.graded.grade == "accepted"

    @property
    def counts(self) -> bool:
        """Whether it counts towards its order: accepted, or doubtful where doubt was to count."""
        graded = self.graded
        return self.accepted or (
            graded is not None and graded.grade == "doubtful" and graded.doubt_counts
        )

    @property
    def kept(self) -> bool:
        """Whether nothing is left to be done for it: filed, and graded if it is a light."""
        return self.filed is not None and (self.graded is not None or not self.is_light)

    @property
    def pending(self) -> bool:
        """Whether it may still come to count."""
        return self.graded is None and self.lost is None

    @property
    def began_utc_s(self) -> float:
        """When the shutter opened, as the camera says, or else when it was commanded."""
        return self.begun_at_utc_s if self.read is None else self.read.began_utc_s

    @property
    def exposure_s(self) -> float:
        """Measured shutter time, or the commanded one where none was measured."""
        return self.begun.exposure_s if self.read is None else self.read.exposure_s

    @property
    def sensor_c(self) -> float | None:
        """Temperature of the sensor at its end, as the camera said."""
        return None if self.read is None else self.read.sensor_c

    @property
    def ended_utc_s(self) -> float:
        """When the shutter closed."""
        return self.began_utc_s + self.exposure_s


@dataclass(frozen=True, slots=True)
class FocusSettled:
    """Where the focuser was last put right, by a run or by following the temperature."""

    position: int
    temperature_c: float | None
    filter: str | None


@dataclass(frozen=True, slots=True)
class FocusMoment:
    """A focus run with its moment; the fields of `run` say what it found.

    Attributes:
        before: where the focuser was put right before it; None for the first.
    """

    at_utc_s: float
    run: FocusRun
    before: FocusSettled | None = None


@dataclass(slots=True)
class FaultRecord:
    """A fault with what was done about it."""

    began_at_utc_s: float
    began: FaultBegan
    remedies: list[tuple[float, RemedyTried]] = field(default_factory=list)
    ended_at_utc_s: float | None = None
    ended: FaultEnded | None = None

    @property
    def open(self) -> bool:
        """Whether it has not ended."""
        return self.ended is None

    def tries(self, remedy: str) -> int:
        """Return how often a remedy was tried against this fault."""
        return sum(tried.remedy == remedy for _, tried in self.remedies)

    @property
    def last_tried_utc_s(self) -> float | None:
        """When a remedy was last tried; None before the first."""
        return self.remedies[-1][0] if self.remedies else None
