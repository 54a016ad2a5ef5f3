"""Focus runs: where to sample next, the curve through the samples, how a run ended.

``focus_search`` gives the next position and is given what was seen there; it knows no devices. It
goes near (from one or two radii and the slope that the optics give), sweeps upwards, sees both
sides, fits, confirms. ``samples`` detects cloud and wind, ``curve`` fits, ``verdict`` says how it
ended. Going near is ``approach``: a short jump shows the side, and a few small stars where
geometry wants wide ones are not believed. Stars that far out are measured by
``imaging/stars/discs.py``. The duty moves, exposes and accounts.

Focus against temperature is ``learning/focus_model.py``: slope and lag from the good runs of all
nights, with an offset for each night and each undeclared filter, and an honest error from the
first run on. ``sequencer/decision/refocus.py`` chooses the moment. A declared offset is never
replaced by a learned one.
"""

from midwatch.imaging.focus.focus_search import FocusSearch
from midwatch.imaging.focus.samples import FocusMeasure
from midwatch.imaging.focus.task import FocusTask, zone_blur_px
from midwatch.imaging.focus.verdict import FocusVerdict

__all__ = ["FocusMeasure", "FocusSearch", "FocusTask", "FocusVerdict", "zone_blur_px"]
