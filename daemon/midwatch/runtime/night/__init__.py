"""One night from its parts, the same for rehearsals and real nights."""

from midwatch.runtime.night.conducting import Hear, NightOutcome, SkyMode, Stage, conduct

__all__ = ["Hear", "NightOutcome", "SkyMode", "Stage", "conduct"]
