"""What a duty may use: devices, orders, the frame taker, the journal. Never a transport."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, RigClient
from midwatch.devices.contract import DeviceState
from midwatch.devices.contract.kinds import MountState
from midwatch.imaging import Solution
from midwatch.imaging.solving import SolveFailure
from midwatch.journal.facts import Activity, Cause, Fact, FrameRegraded
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Journal
from midwatch.learning import FocusMemory, FocusModel
from midwatch.orders.models import FrameOrder
from midwatch.orders.reading import Night, ResolvedTarget
from midwatch.planning import NightPlan, TargetPlan
from midwatch.sequencer.camera import CameraSetting, FrameAnalysis, FrameTaker, Shot
from midwatch.sequencer.duties.duty_failure import DutyFailedError
from midwatch.sequencer.duties.supervisor import Supervisor
from midwatch.sequencer.facts import NEAR_HORIZON_DEG, dark_message, is_low, latest_lights
from midwatch.sequencer.grading import Graded, Grader, LightFrame, Verdict, judge, look_again
from midwatch.sky import LimitCheck, Observer, sun_separation_deg
from midwatch.sky.mounts import MountGeometry, PierSide

S = TypeVar("S", bound=DeviceState)


@dataclass
class DutyContext:
    """What the engine hands to a duty.

    Attributes:
        night: site, rig and orders as declared.
        plan: what the night allows.
        rig: the devices, by role; optional ones are None.
        record: the night so far.
        journal: where facts go; use `note`.
        limits: the mount's limits, for asking.
        focus_memory: what focus runs have taught, of all nights.
        supervisor: can start drivers again; None where nothing on this machine does.
    """

    clock: Clock
    night: Night
    plan: NightPlan
    rig: RigClient
    record: NightRecord
    journal: Journal
    frame_taker: FrameTaker
    analysis: FrameAnalysis
    observer: Observer
    limits: LimitCheck
    graders: Mapping[str, Grader]
    lights: list[Graded]
    focus_memory: FocusMemory
    supervisor: Supervisor | None = None

    @property
    def focus_model(self) -> FocusModel:
        """Focus against temperature and filters, as learned up to now."""
        return self.focus_memory.model

    @property
    def now_s(self) -> float:
        """Now, POSIX seconds UTC."""
        return self.clock.unix_s()

    def note(self, fact: Fact) -> None:
        """Write a fact into the journal."""
        self.journal.append(fact)

    def activity(self, cause: Cause, detail: str | None = None) -> None:
        """Account time to a cause from now on."""
        current = self.record.activity
        if current is None or current.cause != cause or current.detail != detail:
            self.journal.append(Activity(cause=cause, detail=detail))

    def target(self, name: str) -> ResolvedTarget:
        """Return a target of the orders by name."""
        return next(t for t in self.night.targets if t.name == name)

    def above_horizon_deg(self, name: str) -> float:
        """Return how far a target is above the site's horizon now."""
        place = self.observer.altaz(*self.target(name).position_at(self.now_s), self.now_s)
        return float(place.alt_deg) - self.night.horizon.altitude_at(float(place.az_deg))

    def near_horizon(self, name: str) -> bool:
        """Return whether trees taller than the site's horizon may be in front of a target."""
        return self.above_horizon_deg(name) < NEAR_HORIZON_DEG

    def dark_light(self) -> str | None:
        """Say that the latest light frame is too dark for any sky; None if it is not."""
        lights = latest_lights(self.record, 1)
        if not lights:
            return None
        low = is_low(lights[0], self.record, self.observer, self.night.horizon)
        return dark_message(lights[0], self.record, low=low)

    def target_plan(self, name: str) -> TargetPlan:
        """Return what the night allows for a target."""
        return next(t for t in self.plan.targets if t.target.name == name)

    def setting(self, order: FrameOrder | None = None) -> CameraSetting:
        """Return gain, offset and binning: the order's own, else the rig's."""
        camera = self.night.rig.camera
        gain = order.gain if order and order.gain is not None else camera.gain
        offset = order.offset if order and order.offset is not None else camera.offset
        binning = order.binning if order and order.binning is not None else camera.binning
        return CameraSetting(gain, offset, binning)

    def device(self, client: DeviceClient[S] | None, role: str) -> DeviceClient[S]:
        """Return a device that this duty cannot do without.

        Raises:
            DutyFailedError: the rig has none, or it is silent.
        """
        if client is None:
            raise DutyFailedError(role, "missing", f"the rig file declares no {role}")
        if client.down:
            raise DutyFailedError(
                role, "silent", f"the {role} is silent; check its power, cable and driver"
            )
        return client

    def mount_state(self) -> MountState:
        """Return the mount's latest state.

        Raises:
            DutyFailedError: it is silent.
        """
        state = self.device(self.rig.mount, "mount").state
        if state is None:
            raise DutyFailedError("mount", "silent", "the mount has not reported yet")
        return state

    @property
    def geometry(self) -> MountGeometry:
        """How the mount is built."""
        return self.limits.limits.geometry

    def pier_side(self) -> PierSide:
        """Return the side of the pier that counts; unknown where the mount has none.

        Raises:
            DutyFailedError: the mount is silent.
        """
        return self.geometry.side(self.mount_state().pier_side)

    def sun_distance_deg(self, ra_deg: float, dec_deg: float) -> float:
        """Angle between a position and the Sun now, degrees."""
        return float(sun_separation_deg(self.observer, ra_deg, dec_deg, self.now_s))

    async def solve(
        self, shot: Shot, target: ResolvedTarget, radius_deg: float
    ) -> Solution | SolveFailure:
        """Find where a frame points, within a radius of a target."""
        middle_s = shot.ref.began_at.timestamp() + shot.ref.exposure_s / 2.0
        position = target.position_at(middle_s)
        return await self.analysis.solve(shot.ref, shot.measures, *position, radius_deg)

    def judge(self, light: LightFrame) -> tuple[Verdict, int]:
        """Return the worst opinion of all graders on a light, and the number of others compared."""
        return judge(self.graders, self.lights, light, self.night.rig.grading)

    def look_again(self, light: LightFrame) -> None:
        """Judge the earlier frames of the same kind again with a new one; note what got worse."""
        for entry, before, verdict in look_again(
            self.graders, self.lights, light, self.night.rig.grading
        ):
            frame = self.record.frames[entry.light.exposure_id]
            old = frame.filed.path if frame.filed and verdict.grade == "rejected" else None
            path = None if old is None else self.frame_taker.set_apart(old)
            self.note(
                FrameRegraded(
                    exposure_id=entry.light.exposure_id,
                    grade=verdict.grade,
                    reasons=verdict.reasons,
                    before=before,
                    compared=entry.compared,
                    star_share=verdict.star_share,
                    path=path,
                )
            )
            if old is not None and path is not None:
                self.frame_taker.forget(old)
