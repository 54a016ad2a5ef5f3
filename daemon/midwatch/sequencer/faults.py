"""Faults as the sequencer sees them: what failed, how often, when it is tried again.

Everything here is computed from the journal's record. A duty that fails opens a fault; trying it
again is the mildest remedy; success closes the fault. A device that falls silent opens one too.
"""

from __future__ import annotations

from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.sequencer.world import FaultView

# Pauses between attempts, seconds; the last one repeats. Too short: the same failure again and
# again while the cause has no time to go; too long: dark time is lost after it has gone.
_DEFAULT_PAUSES_S = (10.0, 30.0, 120.0, 600.0)
_PAUSES_S: dict[str, tuple[float, ...]] = {
    "centre": (5.0, 20.0, 60.0, 900.0),
    "focus": (10.0, 300.0, 1800.0),
    "guide": (10.0, 60.0, 300.0, 900.0),
    "dither": (5.0, 600.0),
    "expose": (5.0, 20.0, 60.0, 300.0),
    "connect": (10.0, 30.0, 60.0),
    "secure": (10.0, 10.0, 30.0, 60.0),
    "close": (10.0, 30.0, 60.0, 300.0),
    "calibrate": (20.0, 1e9),
}
# Failures in a row after which a target is left for a while, and for how long.
_TARGET_PATIENCE = 3
_TARGET_REST_S = 900.0
# Closing is tried this often before only a person can help.
_CLOSE_TRIES = 12
# Duties that cannot be done without a device.
_NEEDS: dict[str, tuple[str, ...]] = {
    "mount": ("slew", "centre", "flip", "guide", "dither", "expose"),
    "camera": ("centre", "focus", "expose", "flip", "calibrate"),
    "focuser": ("focus",),
    "guider": ("guide", "dither"),
    "filter_wheel": (),
    "roof": ("open",),
}
# While a device is silent its duties are put off by this much at a time.
_SILENT_PUT_OFF_S = 15.0

SILENT = "silent"


def retry_name(duty: str) -> str:
    """Return the name under which another attempt at a duty is journaled as a remedy."""
    return f"retry {duty}"


def open_fault(
    record: NightRecord, duty: str | None, fault: str, device: str
) -> FaultRecord | None:
    """Return the open fault of a duty (or of a silent device), if there is one."""
    for known in record.open_faults():
        same_duty = duty is not None and known.began.duty == duty
        if same_duty or (known.began.device == device and known.began.fault == fault):
            return known
    return None


def view_faults(record: NightRecord, now_s: float) -> tuple[FaultView, ...]:
    """Return the open faults with what they block and until when."""
    return tuple(_view(fault, now_s) for fault in record.open_faults())


def _view(fault: FaultRecord, now_s: float) -> FaultView:
    began = fault.began
    if began.duty is None:
        blocks = _NEEDS.get(began.device, ()) if began.fault == SILENT else ()
        again_at_s = now_s + _SILENT_PUT_OFF_S
    else:
        blocks = (began.duty,)
        again_at_s = _again_at_s(fault)
    return FaultView(
        fault_id=began.fault_id,
        device=began.device,
        message=began.message,
        blocks=blocks,
        again_at_s=again_at_s,
        given_up=began.duty == "close" and fault.tries(retry_name("close")) >= _CLOSE_TRIES,
    )


def _again_at_s(fault: FaultRecord) -> float:
    pauses = _PAUSES_S.get(fault.began.duty or "", _DEFAULT_PAUSES_S)
    tries = fault.tries(retry_name(fault.began.duty or ""))
    last = fault.last_tried_utc_s or fault.began_at_utc_s
    return last + pauses[min(tries, len(pauses) - 1)]


def target_rests_until_s(record: NightRecord, target: str) -> tuple[float, str]:
    """Return until when a target is left alone because its duties keep failing, and why."""
    until_s, reason = 0.0, ""
    for fault in record.open_faults():
        began = fault.began
        if began.target != target or began.duty not in ("centre", "slew", None):
            continue
        if began.duty is not None and fault.tries(retry_name(began.duty)) + 1 < _TARGET_PATIENCE:
            continue
        rest_s = (fault.last_tried_utc_s or fault.began_at_utc_s) + _TARGET_REST_S
        if rest_s > until_s:
            until_s, reason = rest_s, began.message
    return until_s, reason
