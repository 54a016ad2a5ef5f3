"""One night from its parts, the same for rehearsals and real nights."""

from midwatch.runtime.night.conducting import (
    Course,
    Hear,
    NightOutcome,
    SkyMode,
    Stage,
    assemble,
    conduct,
    night_limits,
)

__all__ = [
    "Course", "Hear", "NightOutcome", "SkyMode", "Stage", "assemble", "conduct", "night_limits",
]  # fmt: skip
