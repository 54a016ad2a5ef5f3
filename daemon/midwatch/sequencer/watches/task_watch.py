"""Has no task die in silence: its death is a fault, and a night that would go on blind ends.

Tasks of the daemon are started again by `midwatch.tasks`; here that is journaled, and what follows
when a task is given up. What a driver runs alongside its commands is known from the event that its
host reports; the ladder of the fault starts the driver again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime
from functools import partial

from midwatch.devices.client import RigClient
from midwatch.devices.contract import Facts
from midwatch.devices.host import TASK_FAILED
from midwatch.errors import StopError
from midwatch.journal.promises import DAEMON, TASK_DIED
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.sequencer.faults import open_fault
from midwatch.sequencer.watches.fault_desk import FaultDesk
from midwatch.tasks import STEADY_S, Death, Tasks

__all__ = ["RESTART_TASK", "TaskLostError", "TaskWatch"]

RESTART_TASK = "restart_task"


class TaskLostError(StopError):
    """A task without which no device can be seen or commanded has died for good."""


class TaskWatch:
    """Opens and closes the faults of tasks that died.

    Args:
        close: orders the end of the night, for a reason.
        reconsider: has the engine look at the world.

    Attributes:
        blind: a task was given up, so that the engine must look by itself.
    """

    def __init__(
        self,
        tasks: Tasks,
        rig: RigClient,
        record: NightRecord,
        desk: FaultDesk,
        close: Callable[[str], None],
        reconsider: Callable[[], None],
    ) -> None:
        self._tasks = tasks
        self._rig = rig
        self._record = record
        self._desk = desk
        self._close = close
        self._reconsider = reconsider
        self._lost: str | None = None
        self.blind = False
        # Open faults of the daemon's own tasks, by the name of the task.
        self._dead: dict[str, FaultRecord] = {}
        # When the drivers came up in which a task has died.
        self._since: dict[str, datetime | None] = {}

    def begin(self) -> Callable[[], None]:
        """Subscribe to deaths of tasks; returns what ends that."""
        for fault in self._record.open_faults():
            began = fault.began
            if (began.device, began.fault) == (DAEMON, TASK_DIED):
                self._desk.close(fault, "the daemon was started again, with all its tasks")
            elif began.fault == TASK_DIED and began.device in self._rig.devices:
                self._since[began.device] = self._rig.devices[began.device].since
        forget = [self._tasks.hear(self._died)]
        for role, client in self._rig.devices.items():
            forget.append(client.on_event(partial(self._driver_reported, role), TASK_FAILED))

        def end() -> None:
            for each in forget:
                each()

        return end

    def look(self, spare: Collection[str]) -> None:
        """Close the faults of what is well again.

        Args:
            spare: devices that are being worked at just now: their remedy comes before the end.

        Raises:
            TaskLostError: the devices can neither be seen nor commanded.
        """
        if self._lost is not None:
            raise TaskLostError(self._lost)
        for name, fault in tuple(self._dead.items()):
            if self._tasks.well(name):
                del self._dead[name]
                self._desk.tried(fault.began.fault_id, RESTART_TASK, "done")
                self._desk.close(fault, f"the task has run for {STEADY_S / 60.0:.0f} minutes since")
        for role, since in tuple(self._since.items()):
            if role not in spare and self._rig.devices[role].since != since:
                del self._since[role]
                known = open_fault(self._record, None, TASK_DIED, role)
                if known is not None:
                    self._desk.close(known, "the driver was started again, with all its tasks")

    def _died(self, death: Death) -> None:
        dead = f"the task {death.name!r} of the daemon has died: {death.reason}"
        known = self._dead.get(death.name)
        if known is None:
            then = "" if death.again_in_s is None else f"; started again in {death.again_in_s:g} s"
            known = self._dead[death.name] = self._desk.open(DAEMON, TASK_DIED, dead + then)
        else:
            self._desk.tried(known.began.fault_id, RESTART_TASK, "failed", death.reason)
        if death.again_in_s is None:
            self._give_up(death, known, dead)
        self._reconsider()

    def _give_up(self, death: Death, fault: FaultRecord, dead: str) -> None:
        times = f", {death.count} times in a row" if death.count > 1 else ""
        self.blind = True
        if death.without == "leave":
            self._lost = (
                f"{dead}{times}; without it no device can be seen or commanded: the daemon ends, "
                "and the devices make themselves safe. Start it again, and report the error"
            )
            self._desk.tried(fault.began.fault_id, "leave", "done", self._lost)
            return
        why = f"{dead}{times}; without it the night would go on blind, so it is closed"
        self._desk.tried(fault.began.fault_id, "close", "done", why)
        self._close(why)

    def _driver_reported(self, role: str, _event: str, facts: Facts) -> None:
        if open_fault(self._record, None, TASK_DIED, role) is None:
            named = role.replace("_", " ")
            what = f"{facts.get('task')!r} ({facts.get('error')})"
            self._since[role] = self._rig.devices[role].since
            self._desk.open(
                role, TASK_DIED, f"a task in the driver of the {named} has died: {what}"
            )
            self._reconsider()
