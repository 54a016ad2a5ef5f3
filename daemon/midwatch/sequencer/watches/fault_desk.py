"""Opens and closes faults in the journal as duties fail and devices come and go."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime

from midwatch.bus import CallTimeoutError, CommandError
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, FrameCorruptError, RigClient
from midwatch.devices.contract import DeviceState
from midwatch.errors import MidwatchError
from midwatch.journal.facts import Fact, FaultBegan, FaultEnded, Outcome, RemedyTried
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.journal.store import Journal
from midwatch.sequencer.decision import (
    CIRCLE,
    NOT_CONNECTED,
    RESTART,
    SILENT,
    CalibrateArgs,
    Decision,
    DitherArgs,
    ExposeArgs,
    FocusArgs,
)
from midwatch.sequencer.duties import DutyFailedError
from midwatch.sequencer.faults import (
    BY_ITSELF,
    is_of_link,
    keeps_dying,
    needs_of,
    open_fault,
    restarts_of,
    retry_name,
    trouble_of,
)

__all__ = ["FaultDesk", "said"]

_THROUGH_A_FILTER = (ExposeArgs, FocusArgs, CalibrateArgs)


class FaultDesk:
    """Keeps the journal's faults; what they mean for decisions is in ``faults``.

    Args:
        clock: gives the time.
        parked: called when the mount comes back parked: by its host, or by itself.
    """

    def __init__(
        self,
        rig: RigClient,
        record: NightRecord,
        journal: Journal,
        clock: Clock,
        parked: Callable[[], None],
    ) -> None:
        self._rig = rig
        self._clock = clock
        self._parked = parked
        self._record = record
        self._journal = journal
        # When the driver of each device came up, as last seen.
        self._since: dict[str, datetime] = {}
        # Devices that are back while the fault of their link is still open.
        self._back: set[str] = set()

    # Duties ----------------------------------------------------------------------------------

    def failed(self, decision: Decision, failure: BaseException | None) -> str:
        """Open the fault of a duty, or count another attempt; returns what to report to people.

        What fails because a device is gone is no second fault: that of its link is open.
        """
        if decision.duty != "connect":
            # Links that are not open yet are not faults of their own: connecting is not done.
            self.look_at_links()
        device, fault = _blame(failure)
        message = said(failure) if failure is not None else "failed"
        known = open_fault(self._record, decision.duty, fault, device, decision.target)
        if known is not None:
            self.tried(known.began.fault_id, retry_name(decision.duty), "failed", message)
        elif not self._link_is_missed(decision.duty):
            args = decision.args
            through = args.filter if isinstance(args, _THROUGH_A_FILTER) else None
            self.open(device, fault, message, decision.duty, decision.target, through)
        return message

    def succeeded(self, decision: Decision) -> None:
        """Close the faults that held a duty up."""
        for fault in self._record.open_faults():
            if fault.began.duty == "secure" and decision.duty in ("open", "close"):
                # The sky has cleared meanwhile, or everything is at rest for good.
                self.close(fault, f"{decision.duty} succeeded")
            if (fault.began.duty, decision.duty) == ("flip", "slew"):
                # After a flip that failed the mount is sent to the other side again.
                self.close(fault, "a slew has ended on the right side of the pier")
            if decision.duty == "calibrate" and _of_exposing(fault.began):
                self.close(fault, "frames are read out and filed again")
            if fault.began.duty != decision.duty or not self._proved(fault, decision):
                continue
            remedy = retry_name(decision.duty)
            self.tried(fault.began.fault_id, remedy, "done")
            self.close(fault, f"{remedy} succeeded")

    def _proved(self, fault: FaultRecord, decision: Decision) -> bool:
        """Return whether the success of a duty shows that a fault has gone."""
        began = fault.began
        if began.device == "sky" and began.target is not None:
            return began.target == decision.target
        if began.duty == "dither" and isinstance(decision.args, DitherArgs):
            return (began.device == "mount") == (decision.args.by == "mount")
        if began.device == "flat_panel" and began.duty == "calibrate":
            return isinstance(decision.args, CalibrateArgs) and decision.args.frame == "flat"
        if began.device == "filter_wheel" and began.filter is not None:
            # Frames through the filter that was in the beam say nothing of the wheel.
            wheel = self._rig.filter_wheel
            state = None if wheel is None else wheel.state
            return state is not None and state.selected == began.filter
        return True

    def tried(
        self, fault_id: str, remedy: str, outcome: Outcome, reason: str | None = None
    ) -> None:
        """Journal an attempt at a remedy."""
        known = self._record.faults.get(fault_id)
        client = None if known is None else self._rig.devices.get(known.began.device)
        if remedy == RESTART and client is not None and client.since is not None:
            # The driver that came of it is no other restart.
            self._since[client.name] = client.since
        self._journal.append(
            RemedyTried(
                fault_id=fault_id,
                remedy=remedy,
                attempt=1 if known is None else known.tries(remedy) + 1,
                outcome=outcome,
                reason=reason,
            )
        )

    def circled(self, decision: Decision) -> None:
        """Take what is decided again and again, and never helps, for a fault of our own.

        Its ladder puts the duty off, for longer with each time.
        """
        message = f"{decision.duty} is chosen again and again: {decision.reason}"
        known = open_fault(self._record, decision.duty, CIRCLE, "daemon")
        if known is None:
            self.open("daemon", CIRCLE, message, decision.duty)
        else:
            self.tried(known.began.fault_id, retry_name(decision.duty), "failed", message)

    # Devices ---------------------------------------------------------------------------------

    def look_at_links(self, spare: Collection[str] = ()) -> None:
        """Open and close the faults of devices that go and come back.

        A device that was silent is back when its link is open. One whose driver keeps dying has one
        fault, under which each restart is a remedy, until the driver has run for a while.

        Args:
            spare: devices that are being worked at just now.
        """
        devices = self._rig.devices
        restarted = [role for role, client in devices.items() if self._has_restarted(client)]
        for fault in self._record.open_faults():
            device = fault.began.device
            if is_of_link(fault.began) and device in devices and device not in spare:
                if device in restarted:
                    self.tried(fault.began.fault_id, RESTART, "done", BY_ITSELF)
                self._look_at_link(fault, devices[device])
            elif fault.began.duty == "open" and self._roof_is_open():
                # A sensor that reported wrongly, or a person: nothing is left to be opened.
                self.close(fault, "the roof is open")
        for role, client in devices.items():
            trouble = None if role in spare else trouble_of(client)
            if trouble is not None and not self._is_reported(role, trouble[0]):
                self.open(role, *trouble)

    def _has_restarted(self, client: DeviceClient[DeviceState]) -> bool:
        """Return whether a device has another driver than the last time."""
        if client.since is None:
            return False
        before, self._since[client.name] = self._since.get(client.name), client.since
        return before is not None and before != client.since

    def _look_at_link(self, fault: FaultRecord, client: DeviceClient[DeviceState]) -> None:
        """Close a link's fault if it is over, or has become another one."""
        trouble, device = trouble_of(client), fault.began.device
        if trouble is not None:
            self._back.discard(device)
            if not _is_within(fault.began.fault, trouble[0]):
                self.close(fault, trouble[1])
            return
        if device not in self._back:
            self._back.add(device)
            if device == "mount" and self._mount_is_parked():
                self._parked()
        if not keeps_dying(fault, self._record.faults.values(), self._clock.unix_s()):
            self._back.discard(device)
            died = len(restarts_of(fault))
            often = f"; its driver was started {died} times" if died > 1 else ""
            self.close(fault, f"the {device.replace('_', ' ')} is back{often}")

    def _is_reported(self, role: str, trouble: str) -> bool:
        return any(
            is_of_link(known.began)
            and known.began.device == role
            and _is_within(known.began.fault, trouble)
            for known in self._record.open_faults()
        )

    def _link_is_missed(self, duty: str) -> bool:
        """Return whether a device that a duty needs is gone, and a fault says so."""
        devices = self._rig.devices
        return any(
            is_of_link(known.began)
            and duty in needs_of(known.began.device)
            and (
                known.began.device not in devices
                or trouble_of(devices[known.began.device]) is not None
            )
            for known in self._record.open_faults()
        )

    def _mount_is_parked(self) -> bool:
        state = self._rig.mount.state
        return state is not None and state.parked

    def _roof_is_open(self) -> bool:
        roof = self._rig.roof
        state = None if roof is None or roof.down else roof.state
        return state is not None and state.position == "open"

    def open(
        self,
        device: str,
        fault: str,
        message: str,
        duty: str | None = None,
        target: str | None = None,
        filter_name: str | None = None,
    ) -> FaultRecord:
        """Journal that something is wrong, and return its record."""
        number = len(self._record.faults) + 1
        fault_id = f"{number:03d}-{device}-{fault}"
        self._journal.append(
            FaultBegan(
                fault_id=fault_id,
                device=device,
                fault=fault,
                message=message,
                duty=duty,
                target=target,
                filter=filter_name,
            )
        )
        return self._record.faults[fault_id]

    def close(self, fault: FaultRecord, how: str) -> None:
        """Journal that a fault has gone."""
        self._journal.append(FaultEnded(fault_id=fault.began.fault_id, how=how))

    def note(self, fact: Fact) -> None:
        """Journal what bears on faults and is none."""
        self._journal.append(fact)

    def hold(self, device: str, fault: str, message: str | None) -> None:
        """Keep a fault without duty open as long as there is a message."""
        known = open_fault(self._record, None, fault, device)
        if message is not None and known is None:
            self.open(device, fault, message)
        elif message is None and known is not None:
            self.close(known, "it is as it should be")


def said(failure: BaseException) -> str:
    """Return what went wrong in words."""
    if isinstance(failure, MidwatchError):
        return str(failure)
    return f"{type(failure).__name__}: {failure}"


def _is_within(fault: str, trouble: str) -> bool:
    """Return whether a trouble of a link is that of a fault, or what is left of it."""
    return trouble == fault or (fault, trouble) == (SILENT, NOT_CONNECTED)


def _of_exposing(fault: FaultBegan) -> bool:
    """Return whether a fault is that of exposing and filing, whatever it was for."""
    exposing = ("centre", "focus", "expose", "flip")
    return fault.device in ("camera", "disk") and fault.duty in exposing


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
    if isinstance(failure, FrameCorruptError):
        return "camera", "corrupt_frame"
    return "daemon", type(failure).__name__
