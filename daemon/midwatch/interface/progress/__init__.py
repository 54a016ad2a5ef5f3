"""How a night or a drill goes, while it does and at its end, in words."""

from midwatch.interface.progress.drill_listing import Progress, listing
from midwatch.interface.progress.night_progress import NightProgress, shown
from midwatch.interface.progress.night_result import conclude

__all__ = ["NightProgress", "Progress", "conclude", "listing", "shown"]
