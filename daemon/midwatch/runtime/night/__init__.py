"""One night from its parts, the same for rehearsals and real nights."""

from midwatch.runtime.night.conducting import (
    Beginning,
    Hear,
    NightOutcome,
    RigUse,
    SkyMode,
    Stage,
    assemble,
    conduct,
    night_limits,
)

__all__ = [
    "Beginning", "Hear", "NightOutcome", "RigUse", "SkyMode", "Stage", "assemble", "conduct",
    "night_limits",
]  # fmt: skip
