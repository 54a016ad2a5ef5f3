"""Builds the world from the record, the devices and the plan: the only way in for facts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from midwatch.devices.client import RigClient
from midwatch.devices.contract import right_ascensions_deg
from midwatch.devices.contract.kinds import MountState
from midwatch.journal.facts import FrameGraded
from midwatch.journal.record import NightRecord
from midwatch.learning import FRAME_OVERHEAD, LearnedDurations
from midwatch.orders.models import FrameOrder, Rig
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan
from midwatch.sequencer.decision import (
    DEFAULT_DURATIONS_S,
    CalibrationNeed,
    FaultView,
    FrameNeed,
    NightHours,
    Operator,
    Pointing,
    Readiness,
    Safety,
    StandingDue,
    TargetView,
    Unguided,
    World,
)
from midwatch.sequencer.facts.calibration_sets import calibration_needs
from midwatch.sequencer.facts.focus_state import FocusWatch
from midwatch.sequencer.facts.hidden_sky import hidden_now
from midwatch.sequencer.facts.jammed_wheel import through_filter, wheel_is_stuck
from midwatch.sequencer.facts.lookout import View
from midwatch.sequencer.facts.rig_history import RigHistory
from midwatch.sequencer.facts.unguided import (
    frames_left,
    lengths_of,
    longest_unguided_s,
    shortened,
    unguided_now,
)
from midwatch.sequencer.faults import (
    AvailableRemedies,
    contrary_until_s,
    merely_warm,
    target_rests_until_s,
    view_faults,
)
from midwatch.sky import LimitCheck, seconds_until_breach

# Pointing changes smaller than this (dithers, guiding) move the instant of the next limit by less
# than the margin that is kept before it.
_SAME_POINTING_DEG = 0.05


def _astray_arcsec(rig: Rig) -> float:
    """Return how far from the target a guided frame may be before it is centred again.

    Well before frames are doubted for it, and well beyond what dithers and centring leave.
    """
    bound_arcsec = rig.grading.max_offset_arcsec
    return min(0.75 * bound_arcsec, max(0.25 * bound_arcsec, 3.0 * rig.centring.within_arcsec))


@dataclass
class LimitForecast:
    """When the present tracking meets a limit; computed again only after the mount was moved."""

    limits: LimitCheck
    _key: tuple[float, float, str] | None = None
    _at_s: float = math.inf

    def at_s(self, mount: MountState | None, now_s: float) -> float:
        """Return the instant of the limit, or infinity while nothing tracks."""
        if mount is None or not mount.tracking:
            self._key = None
            return math.inf
        key = (mount.ra_deg, mount.dec_deg, mount.pier_side)
        if self._key is None or _moved(key, self._key):
            observer, limits = self.limits.observer, self.limits.limits
            # With another clock or site than ours it may be elsewhere than it says; its host looks
            # at both places as well.
            left_s = min(
                seconds_until_breach(
                    observer, limits, ra_deg, mount.dec_deg, now_s, mount.pier_side
                )
                for ra_deg in right_ascensions_deg(observer, mount, now_s)
            )
            self._key, self._at_s = key, now_s + left_s
        return self._at_s


def _moved(now: tuple[float, float, str], before: tuple[float, float, str]) -> bool:
    turned_deg = abs((now[0] - before[0] + 180.0) % 360.0 - 180.0)
    climbed_deg = abs(now[1] - before[1])
    return max(turned_deg, climbed_deg) > _SAME_POINTING_DEG or now[2] != before[2]


@dataclass
class WorldView:
    """Everything from which worlds are built."""

    night: Night
    plan: NightPlan
    rig: RigClient
    record: NightRecord
    rig_history: RigHistory
    forecast: LimitForecast
    learned: LearnedDurations
    focus: FocusWatch
    available: AvailableRemedies
    _hours: NightHours = field(init=False)
    _durations_s: dict[str, float] = field(default_factory=dict)
    # What only changes with frames is kept until one comes: the world is built at every wake-up.
    _calibration: tuple[CalibrationNeed, ...] | None = None
    _targets: tuple[TargetView, ...] | None = None
    _lights: list[FrameGraded] | None = None
    _longest_s: float | None = None

    def __post_init__(self) -> None:
        plan = self.plan
        self._hours = NightHours(plan.prepare_from_s, plan.work_from_s, plan.dusk_s, plan.dawn_s)

    def change(self, night: Night, plan: NightPlan, focus: FocusWatch) -> None:
        """Go by other orders from now on."""
        self.night, self.plan, self.focus = night, plan, focus
        self.forget()

    def learn(self, duty: str, took_s: float) -> None:
        """Take in how long a duty, or the overhead of a frame, has taken."""
        self.learned = self.learned.with_duration(duty, took_s)
        self._durations_s.clear()

    def forget(self) -> None:
        """Have what was derived from frames and faults derived again."""
        self._calibration = self._targets = self._lights = None
        self.forget_blur()

    def forget_blur(self) -> None:
        """Have the longest unguided exposure derived again: the guider may know better by now."""
        self._longest_s = None

    def build(
        self,
        now_s: float,
        safety: Safety,
        standing: tuple[StandingDue, ...],
        pressing: tuple[float, str, str] = (0.0, "", ""),
        busy: tuple[str, ...] = (),
    ) -> World:
        """Return the world as it is now.

        Args:
            now_s: POSIX seconds.
            safety: whether the sky may be let in.
            standing: orders whose lookouts have tripped.
            pressing: the refocus rule that is next to be due.
            busy: devices that a remedy is working at.
        """
        faults = view_faults(self.record, now_s, self.available, busy)
        ready = self._ready()
        if now_s >= self._hours.work_from_s and merely_warm(faults, now_s):
            ready = replace(ready, prepared=True)
        unguided = self._unguided(ready, faults, now_s)
        return World(
            now_s=now_s,
            hours=self._hours,
            mount=self.night.rig.geometry,
            safety=safety,
            pointing=self._pointing(now_s, ready.guiding),
            ready=ready,
            targets=self._offered(unguided, faults, now_s),
            operator=Operator(self.record.paused, self.rig_history.closing),
            faults=faults,
            standing=standing,
            calibration=self._calibration_needs(),
            focus=self.focus.view(pressing),
            durations_s=self._expected(),
            unguided=unguided,
        )

    def _unguided(
        self, ready: Readiness, faults: tuple[FaultView, ...], now_s: float
    ) -> Unguided | None:
        if not ready.has_guider or ready.guiding:
            return None
        order = self.night.orders.unguided
        if self._longest_s is None:
            bound = self.night.rig.grading.max_elongation
            ordered = [f.exposure_s for t in self.night.targets for f in t.order.frames]
            self._longest_s = longest_unguided_s(
                self.record,
                bound,
                self.rig_history.blur_60s_arcsec,
                lengths_of(ordered, order.shortest_exposure_s),
            )
        return unguided_now(order, faults, self.record, now_s, self._longest_s)

    def _offered(
        self, unguided: Unguided | None, faults: tuple[FaultView, ...], now_s: float
    ) -> tuple[TargetView, ...]:
        """Return the targets with the frames that can be had of them now."""
        targets = self._all_targets()
        stuck = next((f for f in faults if wheel_is_stuck(f, now_s)), None)
        if stuck is not None:
            wheel = self.rig.filter_wheel
            state = wheel.state if wheel is not None else None
            present = state.selected if state is not None else None
            targets = tuple(through_filter(t, present, stuck, now_s) for t in targets)
        if unguided is None:
            return targets
        return tuple(replace(t, needs=shortened(t.needs, unguided)) for t in targets)

    def _expected(self) -> dict[str, float]:
        if not self._durations_s:
            for duty, default_s in DEFAULT_DURATIONS_S.items():
                name = FRAME_OVERHEAD if duty == "expose" else duty
                self._durations_s[duty] = self.learned.cautious_s(name, default_s)
        return dict(self._durations_s)

    def _all_targets(self) -> tuple[TargetView, ...]:
        if self._targets is None:
            self._targets = tuple(self._target(plan) for plan in self.plan.targets)
        return self._targets

    def _calibration_needs(self) -> tuple[CalibrationNeed, ...]:
        if self._calibration is None:
            self._calibration = calibration_needs(self.night, self.record)
        return self._calibration

    def _lights_since_focus(self) -> list[FrameGraded]:
        if self._lights is None:
            focus = self.record.focus
            since = focus.at_utc_s if focus else 0.0
            self._lights = [
                f.graded
                for f in self.record.frames.values()
                if f.is_light and f.graded is not None and f.begun_at_utc_s >= since
            ]
        return self._lights

    def mount(self) -> MountState | None:
        """Return the mount's state, or None while nothing is known of it."""
        mount = self.rig.mount
        if mount.down or mount.state is None:
            return None
        return mount.state if mount.state.connected or not self.rig_history.connected else None

    def _pointing(self, now_s: float, guiding: bool) -> Pointing:
        mount = self.mount()
        if mount is None:
            # An unknown mount is not a parked one.
            return Pointing(parked=False)
        target = self.rig_history.target if mount.tracking else None
        return Pointing(
            parked=mount.parked,
            tracking=mount.tracking,
            pier_side=self.night.rig.geometry.side(mount.pier_side),
            target=target,
            centred=target is not None
            and self.record.centred_target == target
            and not self.rig_history.doubted
            and self.rig_history.astray_arcsec <= _astray_arcsec(self.night.rig)
            and (
                guiding or self.rig_history.drifted_arcsec <= self.night.rig.centring.within_arcsec
            ),
            doubted=self.rig_history.doubted,
            limit_at_s=self.forecast.at_s(mount, now_s),
            limit="the limit of the mount",
            contrary_until_s=contrary_until_s(self.record),
        )

    def _ready(self) -> Readiness:
        rig, record = self.rig, self.record
        roof = rig.roof.state if rig.roof is not None and not rig.roof.down else None
        guider = rig.guider.state if rig.guider is not None and not rig.guider.down else None
        guiding = guider is not None and guider.phase in ("guiding", "settling")
        return Readiness(
            connected=self.rig_history.connected,
            prepared=self.rig_history.prepared,
            has_roof=rig.roof is not None,
            roof_open=rig.roof is None or (roof is not None and roof.position == "open"),
            roof_closed=rig.roof is None or (roof is not None and roof.position == "closed"),
            focused=record.focus is not None,
            has_guider=rig.guider is not None,
            guiding=guiding and record.guiding,
            putting_away=self.rig_history.putting_away,
            closed_up=self.rig_history.closed_up,
            missing=rig.down(),
        )

    def _target(self, plan: TargetPlan) -> TargetView:
        name, record = plan.target.name, self.record
        needs = [
            FrameNeed(index, order.filter, order.exposure_s, left, self._dither_due(order))
            for index, order in enumerate(plan.target.order.frames)
            if (left := frames_left(record, name, index, order)) > 0
        ]
        if plan.target.order.frames_in_turn:
            # The order of which the smallest share was taken comes first.
            counts = [order.count for order in plan.target.order.frames]
            needs.sort(key=lambda need: (-need.remaining / counts[need.index], need.index))
        until_s, reason = target_rests_until_s(record, name)
        hidden = hidden_now(record, name, self.forecast.limits.observer, self.night.horizon)
        return TargetView(
            name=name,
            priority=plan.target.order.priority,
            windows=tuple((w.start_utc_s, w.end_utc_s) for w in plan.windows),
            reach=tuple((w.start_utc_s, w.end_utc_s) for w in plan.reach),
            transit_s=plan.transit_utc_s,
            turns_deg_s=plan.turns_deg_s,
            needs=tuple(needs),
            blocked_until_s=until_s,
            blocked_reason=reason,
            skipped=name in record.skipped,
            hidden_until_s=hidden.until_s,
            hidden_reason=hidden.reason,
        )

    def _dither_due(self, order: FrameOrder) -> bool:
        record, guiding = self.record, self.night.rig.guiding
        since = (record.lights_since_dither, record.exposed_since_dither_s)
        return guiding.dither_px > 0.0 and guiding.cadence(order).due(*since)

    def view(self, now_s: float, free_disk_gb: float | None) -> View:
        """Return what lookouts may look at."""
        rig, focus = self.rig, self.record.focus

        def up(client: object) -> bool:
            return client is not None and not getattr(client, "down", True)

        lights = self._lights_since_focus()
        weather = rig.weather.state if rig.weather is not None and up(rig.weather) else None
        guider = rig.guider.state if rig.guider is not None and up(rig.guider) else None
        focuser = rig.focuser.state if up(rig.focuser) else None
        focuser_c = focuser.temperature_c if focuser is not None else None
        return View(
            now_s=now_s,
            mount=self.mount(),
            camera=rig.camera.state if up(rig.camera) else None,
            focuser=focuser,
            guider=guider,
            weather=weather,
            weather_age_s=weather_age_s(rig, now_s),
            focused_at_s=focus.at_utc_s if focus else None,
            focused_at_c=focus.run.temperature_c if focus else None,
            focused_hfr_px=focus.run.best_hfr_px if focus else None,
            recent_hfr_px=tuple(g.hfr_px for g in lights[-5:] if g.hfr_px is not None),
            recent_stars=tuple(g.stars for g in lights[-5:] if g.stars is not None),
            size_ratios=self.focus.size_ratios(guider),
            settled_at_c=self.focus.settled_at_c(),
            defocus_percent=self.focus.defocus_percent(now_s, focuser_c),
            focus_learned=self.focus.learned,
            focus_verdict=self.focus.model.verdict,
            free_disk_gb=free_disk_gb,
            limit_in_s=self.forecast.at_s(self.mount(), now_s) - now_s,
        )


def weather_age_s(rig: RigClient, now_s: float) -> float:
    """Return the age of the weather readings; infinite where there are none."""
    state = rig.weather.state if rig.weather is not None else None
    if state is None or state.read_at is None:
        return math.inf
    return now_s - state.read_at.timestamp()
