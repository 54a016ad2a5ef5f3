"""What perfect knowledge could have had of a night: the clairvoyant bound."""

from midwatch.bound.foresight import Foresight
from midwatch.bound.gaps import Gaps, gaps_of

__all__ = ["Foresight", "Gaps", "gaps_of"]
