"""The links of devices: what is wrong with one now, and when its trouble is over."""

from __future__ import annotations

from collections.abc import Iterable

from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import DeviceState
from midwatch.journal.record import FaultRecord
from midwatch.sequencer.decision import NOT_CONNECTED, RESTART, SILENT, UNPLUGGED

__all__ = ["BY_ITSELF", "closed_link", "keeps_dying", "restarts_of", "trouble_of"]

# Why a restart was that no remedy has brought about.
BY_ITSELF = "its supervisor started it again"

# A driver that has died twice is well only when it has run for so long. Too short: every round of a
# crash loop is reported as its own fault; too long: one is reported that has long been over.
_STEADY_S = 300.0


def trouble_of(client: DeviceClient[DeviceState]) -> tuple[str, str] | None:
    """Return what is wrong with the link of a device and how to say it; None if nothing is."""
    named, state = client.name.replace("_", " "), client.state
    if client.down:
        return SILENT, f"the {named} is silent; check its power, cable and driver"
    if state is None or state.connected:
        return None
    if state.fault is not None:
        return UNPLUGGED, f"the {named} has lost its hardware: {state.fault}"
    return NOT_CONNECTED, f"the {named} answers, but its link to the hardware is not open"


def restarts_of(fault: FaultRecord) -> list[float]:
    """Return when the driver of a device came up again under a fault, POSIX seconds."""
    return [
        at_s
        for at_s, tried in fault.remedies
        if tried.remedy == RESTART and tried.outcome == "done"
    ]


def closed_link(fault: FaultRecord) -> FaultRecord:
    """Return what is left of a silence once the driver is up again: a link that is not open.

    Of the remedies those are kept that were tried since then.
    """
    began_s, tried = fault.began_at_utc_s, fault.remedies
    for number, (at_s, remedy) in enumerate(fault.remedies, 1):
        if remedy.remedy == RESTART and remedy.outcome == "done":
            began_s, tried = at_s, fault.remedies[number:]
    began = fault.began.model_copy(update={"fault": NOT_CONNECTED})
    return FaultRecord(began_s, began, list(tried))


def keeps_dying(fault: FaultRecord, faults: Iterable[FaultRecord], now_s: float) -> bool:
    """Return whether a device that is back may well be gone again soon: its driver has died twice.

    Args:
        fault: of its link.
        faults: all of the night.
        now_s: POSIX seconds.
    """
    restarts = restarts_of(fault)
    if not restarts or now_s - restarts[-1] >= _STEADY_S:
        return False
    return len(restarts) > 1 or any(
        other.began.device == fault.began.device
        and other.began.fault == SILENT
        and other.ended_at_utc_s is not None
        and 0.0 <= fault.began_at_utc_s - other.ended_at_utc_s < _STEADY_S
        and restarts_of(other)
        for other in faults
    )
