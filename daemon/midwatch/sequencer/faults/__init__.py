"""Faults as the journal shows them: their ladders of remedies, and what they hold up.

A duty that fails opens a fault, and so does a device that is silent, has lost its hardware or has
its link closed. The ladders, mildest remedy first, are declared in
``orders/models/remedies_section.py``. ``ladders`` says from the journal alone which remedy is
next, ``fault_views`` what the fault holds up meanwhile, ``remedies_available`` what this rig can
do, ``links`` when the trouble of a link is over: a silence lasts until the link is open again,
and where a driver dies again and again that is one fault, with the restarts among its remedies,
until the driver has run for a while.

Remedies are duties, except for those that are words of the engine: retry, wait, rest_target,
close. Of what the work needs (mount, camera, roof) `decide` chooses them; the others are tried
alongside the work (``sequencer/watches``), and no exposure waits for them. After a remedy it is
the turn of the duty; its success, or the return of the device, closes the fault. A camera that
was lost is prepared again, a mount that was lost is centred again before the next frame.
"""

from midwatch.sequencer.faults.fault_views import (
    contrary_until_s,
    is_of_link,
    merely_warm,
    needs_of,
    open_fault,
    retry_name,
    target_rests_until_s,
    view_faults,
)
from midwatch.sequencer.faults.links import BY_ITSELF, keeps_dying, restarts_of, trouble_of
from midwatch.sequencer.faults.remedies_available import AvailableRemedies

__all__ = [
    "BY_ITSELF", "AvailableRemedies", "contrary_until_s", "is_of_link", "keeps_dying",
    "merely_warm", "needs_of", "open_fault", "restarts_of", "retry_name", "target_rests_until_s",
    "trouble_of", "view_faults",
]  # fmt: skip
