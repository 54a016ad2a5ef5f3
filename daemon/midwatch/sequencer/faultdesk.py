"""Opens and closes faults in the journal as duties fail and devices fall silent."""

from __future__ import annotations

from midwatch.bus.calls import CallTimeoutError, CommandError
from midwatch.devices.rig import RigClient
from midwatch.errors import MidwatchError
from midwatch.journal.events import FaultBegan, FaultEnded, RemedyTried
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Journal
from midwatch.sequencer.contracts import DutyFailedError
from midwatch.sequencer.decide import Decision
from midwatch.sequencer.faults import SILENT, open_fault, retry_name


class FaultDesk:
    """Keeps the journal's faults; what they mean for decisions is in ``faults``."""

    def __init__(self, rig: RigClient, record: NightRecord, journal: Journal) -> None:
        self._rig = rig
        self._record = record
        self._journal = journal

    def failed(self, decision: Decision, failure: BaseException | None) -> str:
        """Open the fault of a duty, or count another attempt; returns what to tell people."""
        device, fault = _blame(failure)
        target = decision.args.get("target")
        message = said(failure) if failure is not None else "failed"
        known = open_fault(self._record, decision.duty, fault, device)
        if known is not None and known.began.duty == decision.duty:
            self._journal.append(
                RemedyTried(
                    fault_id=known.began.fault_id,
                    remedy=retry_name(decision.duty),
                    attempt=known.tries(retry_name(decision.duty)) + 1,
                    outcome="failed",
                    reason=message,
                )
            )
        elif known is None:
            self._open(device, fault, message, decision.duty, str(target) if target else None)
        return message

    def succeeded(self, decision: Decision) -> None:
        """Close the faults that held a duty up."""
        for fault in self._record.open_faults():
            if fault.began.duty != decision.duty:
                continue
            remedy = retry_name(decision.duty)
            fault_id = fault.began.fault_id
            self._journal.append(
                RemedyTried(
                    fault_id=fault_id,
                    remedy=remedy,
                    attempt=fault.tries(remedy) + 1,
                    outcome="done",
                )
            )
            self._journal.append(FaultEnded(fault_id=fault_id, how=f"{remedy} succeeded"))

    def _open(
        self, device: str, fault: str, message: str, duty: str | None, target: str | None
    ) -> None:
        number = len(self._record.faults) + 1
        self._journal.append(
            FaultBegan(
                fault_id=f"{number:03d}-{device}-{fault}",
                device=device,
                fault=fault,
                message=message,
                duty=duty,
                target=target,
            )
        )

    def note_silence(self) -> None:
        """Open and close the faults of devices that fall silent and come back."""
        down = self._rig.down()
        for fault in self._record.open_faults():
            began = fault.began
            if began.fault == SILENT and began.duty is None and began.device not in down:
                self._journal.append(
                    FaultEnded(fault_id=began.fault_id, how=f"the {began.device} is back")
                )
        for role in down:
            known = open_fault(self._record, None, SILENT, role)
            if known is None:
                message = f"the {role} is silent; check its power, cable and driver"
                self._open(role, SILENT, message, None, None)


def said(failure: BaseException) -> str:
    """Return what went wrong in words."""
    if isinstance(failure, MidwatchError):
        return str(failure)
    return f"{type(failure).__name__}: {failure}"


def _blame(failure: BaseException | None) -> tuple[str, str]:
    """Return the device and the short name of what went wrong."""
    if isinstance(failure, DutyFailedError):
        return failure.device, failure.fault
    if isinstance(failure, CommandError):
        return failure.device or "bus", failure.kind.value
    if isinstance(failure, CallTimeoutError):
        return failure.device, "no_answer"
    if isinstance(failure, OSError):
        return "disk", "write_failed"
    return "daemon", type(failure).__name__
