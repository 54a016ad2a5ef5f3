"""Faults as the sequencer sees them: what failed, what it holds up, what is done about it and when.

Everything here is computed from the journal's record. A duty that fails opens a fault, and so does
a device that is silent or has lost its link. What is done next says the fault's ladder. Once a
remedy has been done the duty is tried again; its success, or the return of the device, closes the
fault.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from midwatch.journal.facts import FaultBegan
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.learning import stars_moved
from midwatch.sequencer.decision import (
    HIDDEN,
    LINK_FAULTS,
    NO_LIGHT,
    NOT_COLD,
    NOT_CONNECTED,
    NOT_TRACKING,
    SILENT,
    UNPLUGGED,
    WRONG_HOUR_ANGLE,
    WRONG_SIDE,
    CentreArgs,
    EndNightArgs,
    FaultView,
    FocusArgs,
    LessCoolingArgs,
    NamedArgs,
    PowerCycleArgs,
    RecalibrateArgs,
    ReconnectArgs,
    RestartDriverArgs,
    RestTargetArgs,
    WaitArgs,
)
from midwatch.sequencer.faults.ladders import Rung, earlier_attempts, remedy_of, rung_of
from midwatch.sequencer.faults.links import closed_link
from midwatch.sequencer.faults.remedies_available import LINK_REMEDIES, AvailableRemedies

__all__ = [
    "contrary_until_s", "is_of_link", "merely_warm", "needs_of", "open_fault", "retry_name",
    "target_rests_until_s", "view_faults",
]  # fmt: skip

# How long a target is left alone that has brought nothing but failures.
_TARGET_REST_S = 900.0
# How long a mount that went to the wrong side of its pier is expected to do so again. Too short:
# it is sent where it has to be stopped on its way; too long: targets wait for a mount that is well.
_CONTRARY_S = 300.0
# Closing is tried this often, and for so long, before only a person can help. Too short: a mount
# whose driver comes back in the morning stays unparked; too long: that is not reported.
_CLOSE_TRIES, _CLOSE_FOR_S = 12, 4 * 3600.0
# A duty whose ladder has come to its end is tried at this distance all the same.
_LAST_RESORT_S = 300.0
# Duties that cannot be done without a device.
_NEEDS: dict[str, tuple[str, ...]] = {
    "mount": ("slew", "centre", "flip", "guide", "dither", "expose", "focus"),
    "camera": ("prepare", "centre", "focus", "expose", "flip", "calibrate"),
    "focuser": ("focus",),
    "guider": ("guide", "dither"),
    "guide_camera": ("guide", "dither"),
    "roof": ("open",),
}
# Of these, what cannot come to a good end once the hardware is gone, or has stopped. A mount whose
# driver has died goes on tracking: an exposure is good. One without power is not.
_STOPS: dict[tuple[str, str], tuple[str, ...]] = {
    ("camera", UNPLUGGED): _NEEDS["camera"],
    ("camera", NOT_CONNECTED): _NEEDS["camera"],
    ("mount", UNPLUGGED): _NEEDS["mount"],
    ("mount", NOT_CONNECTED): ("slew", "centre", "flip", "guide"),
    ("mount", NOT_TRACKING): ("centre", "focus", "guide", "dither", "expose"),
    ("focuser", UNPLUGGED): _NEEDS["focuser"],
    ("focuser", NOT_CONNECTED): _NEEDS["focuser"],
}
# Only reported: the work itself puts it right, by a slew, or by centring, which has remedies.
_ONLY_REPORTED = (("mount", NOT_TRACKING), ("camera", NO_LIGHT))
# Devices that the work cannot go on without: decisions wait for their remedies.
_FOREGROUND = ("mount", "camera", "roof")


def retry_name(duty: str) -> str:
    """Return the name under which another attempt at a duty is journaled as a remedy."""
    return f"retry {duty}"


def needs_of(device: str) -> tuple[str, ...]:
    """Return the duties that cannot be done without a device."""
    return _NEEDS.get(device, ())


def is_of_link(fault: FaultBegan) -> bool:
    """Return whether a fault is about the link of a device."""
    return fault.duty is None and fault.fault in LINK_FAULTS


def open_fault(
    record: NightRecord, duty: str | None, fault: str, device: str, target: str | None = None
) -> FaultRecord | None:
    """Return the open fault of a duty (or of a device, without a duty), if there is one.

    What hides one target is no fault of another, nor of the duty.
    """
    for known in record.open_faults():
        began = known.began
        if HIDDEN in (began.fault, fault) and (began.fault, began.target) != (fault, target):
            continue
        if duty is not None and began.duty == duty:
            return known
        if duty is None and began.duty is None and (began.device, began.fault) == (device, fault):
            return known
    return None


def view_faults(
    record: NightRecord, now_s: float, available: AvailableRemedies, busy: Collection[str] = ()
) -> tuple[FaultView, ...]:
    """Return the open faults with what they hold up, and what is done about them when.

    Args:
        record: the night so far.
        now_s: POSIX seconds.
        available: what can be done.
        busy: devices at which a remedy is working; there is no other for them, and what their
            faults hold up waits for it.
    """
    views = (_view(fault, record, now_s, available) for fault in record.open_faults())
    return tuple(replace(v, remedy=None, held=True) if v.device in busy else v for v in views)


def _view(
    fault: FaultRecord, record: NightRecord, now_s: float, available: AvailableRemedies
) -> FaultView:
    began = fault.began
    if is_of_link(began) and available.trouble(began.device) is None:
        # It is watched for a while, and keeps nothing from being done.
        return FaultView(
            began.fault_id, began.device, began.message, again_at_s=now_s, fault=began.fault
        )
    rung = _rung(fault, record, available)
    cured = began.duty is not None and _remedied(fault)
    retried = rung is None or rung.step.do == "retry" or cured
    due_s = _due_s(fault, rung, now_s)
    if retried and began.device == "focuser" and stars_moved(record):
        due_s = now_s
    lone_focuser = began.device == "focuser" and record.focus is None
    remedy = None if retried or rung is None else _remedy(began, rung, available)
    return FaultView(
        fault_id=began.fault_id,
        device=began.device,
        fault=began.fault,
        since_s=fault.began_at_utc_s,
        message=began.message,
        remedy=remedy,
        blocks=_blocks(began, cured=cured),
        again_at_s=due_s,
        given_up=_given_up(fault, now_s),
        held=began.duty is None,
        background=remedy is not None
        and remedy.duty in LINK_REMEDIES
        and began.device not in _FOREGROUND
        and not lone_focuser,
        stops=_STOPS.get((began.device, began.fault), ()) if began.duty is None else (),
        only_target=began.target if began.fault == HIDDEN else None,
    )


def merely_warm(faults: Iterable[FaultView], now_s: float) -> bool:
    """Return whether the camera only wants cold, and cooling it again is not due yet."""
    views = [fault for fault in faults if "prepare" in fault.blocks]
    return bool(views) and all(v.fault == NOT_COLD and v.again_at_s > now_s for v in views)


def _rung(fault: FaultRecord, record: NightRecord, available: AvailableRemedies) -> Rung | None:
    began = fault.began
    only_reported = began.duty is None and (began.device, began.fault) in _ONLY_REPORTED
    possible = () if only_reported else available.possible(began)
    if began.fault == SILENT and available.trouble(began.device) == NOT_CONNECTED:
        # A driver that has come up waits for its link to be opened, whatever was tried before.
        return rung_of(closed_link(fault), available.declared, possible=possible)
    before = earlier_attempts(fault, record.faults.values())
    return rung_of(fault, available.declared, before, possible=possible)


def _given_up(fault: FaultRecord, now_s: float) -> bool:
    """Return whether closing has failed for so long that only a person can help."""
    tries = fault.tries(retry_name("close")) if fault.began.duty == "close" else 0
    return tries >= _CLOSE_TRIES and now_s - fault.began_at_utc_s >= _CLOSE_FOR_S


def _remedied(fault: FaultRecord) -> bool:
    """Return whether a remedy was done since the duty was tried last: it is its turn again."""
    if not fault.remedies:
        return False
    tried = fault.remedies[-1][1]
    return tried.outcome == "done" and remedy_of(tried.remedy) != "retry"


def _due_s(fault: FaultRecord, rung: Rung | None, now_s: float) -> float:
    if rung is not None:
        return rung.due_s
    if fault.began.duty is None:
        # Nothing can be done but to look whether it has gone.
        return now_s + _LAST_RESORT_S
    return (fault.last_tried_utc_s or fault.began_at_utc_s) + _LAST_RESORT_S


def _remedy(began: FaultBegan, rung: Rung, available: AvailableRemedies) -> NamedArgs | None:
    """Return what a rung asks for; None for another attempt at the duty."""
    device = began.device
    match rung.step.do:
        case "retry":
            return None
        case "reconnect":
            return ReconnectArgs(device=device)
        case "restart_driver":
            return RestartDriverArgs(device=device)
        case "power_cycle":
            return PowerCycleArgs(device=device, outlet=available.outlet(began, rung.step))
        case "recalibrate":
            return RecalibrateArgs(device=device)
        case "less_cooling":
            return LessCoolingArgs(device=device)
        case "focus":
            return FocusArgs(trigger="remedy")
        case "centre":
            # Only possible against the fault of a duty that has a target.
            return None if began.target is None else CentreArgs(target=began.target)
        case "rest_target":
            return RestTargetArgs(device=device)
        case "wait":
            return WaitArgs(device=device)
        case "close":
            return EndNightArgs(device=device)


def _blocks(began: FaultBegan, *, cured: bool) -> tuple[str, ...]:
    if began.fault == WRONG_HOUR_ANGLE:
        return ("slew", "flip", "centre")
    if began.duty is None:
        return _NEEDS.get(began.device, ()) if is_of_link(began) else ()
    # While a wheel does not turn, frames are taken through the filter that is in the beam.
    through_the_wheel = began.device == "filter_wheel" and began.duty == "expose"
    return () if cured or through_the_wheel else (began.duty,)


def contrary_until_s(record: NightRecord) -> float:
    """Return until when the mount is expected to go to the wrong side of its pier; 0 for never."""
    return max(
        (
            (fault.last_tried_utc_s or fault.began_at_utc_s) + _CONTRARY_S
            for fault in record.open_faults()
            if (fault.began.device, fault.began.fault) == ("mount", WRONG_SIDE)
        ),
        default=0.0,
    )


def target_rests_until_s(record: NightRecord, target: str) -> tuple[float, str]:
    """Return until when a target is left alone because its duties keep failing, and why."""
    until_s, reason = 0.0, ""
    for fault in record.open_faults():
        if fault.began.target != target:
            continue
        rests = [at_s for at_s, tried in fault.remedies if tried.remedy == "rest_target"]
        if rests and rests[-1] + _TARGET_REST_S > until_s:
            until_s, reason = rests[-1] + _TARGET_REST_S, fault.began.message
    return until_s, reason
