"""Simulated equatorial mount: a German one, or a fork."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind, PierSide
from midwatch.devices.contract.kinds import MountState, Park, Pulse, Slew, Sync, Track, Unpark
from midwatch_simulators.base import (
    GuiderTruth,
    Handler,
    Heard,
    MountTruth,
    SimulatedDevice,
    awake,
    read_options,
    unit,
)
from midwatch_simulators.mount.axes import Axes, wrapped_deg
from midwatch_simulators.mount.body import MountBody
from midwatch_simulators.mount.knob_turner import KnobTurner
from midwatch_simulators.mount.mount_kinds import mount_axes
from midwatch_simulators.mount.options import MountOptions

_SYNC_WITHIN_DEG = 20.0
_OVERSHOOT = 3.5  # of guide pulses; a loop with a gain above four sevenths grows under it
_STALL_S = 3.0  # after which a motor that is to slew is found to stall
# Eight minutes of time, and the error of a longitude taken from the next town.
_AHEAD_DEG = {"mount-clock-wrong": 2.0, "mount-site-wrong": -3.0}
_JUMP_DEG = 0.5
_SAG_DEG = 1.0  # at most, of each axis without current
_ASTRAY_DEG = (2.0, 5.0)

# Where a slew ends: a catalogue position and a side of the pier, or parked.
_Goal = tuple[float, float, PierSide] | None


class SimulatedMount(SimulatedDevice):
    """A mount that slews, tracks, syncs, parks and takes guide pulses.

    Its own computer ends a slew and goes on tracking whether or not a driver listens.

    Faults: ``mount-stalls`` (says that it tracks, but rests; slews fail; the steps of tracking
    stay lost until a sync), ``tracking-lost`` (it stops and says so in its state, no more), ``slew-
    refused``, ``slew-lands-elsewhere`` (by degrees, and says that it is where it was sent),
    ``wrong-pier-side`` (where it can reach the other side; a fork has none), ``mount-limit-hit``
    (stopped until the next slew), ``mount-clock-wrong`` and ``mount-site-wrong`` (hours, and all
    that it makes of them, are off), ``mount-power-lost`` (gone; afterwards it does not track, has
    forgotten its syncs and has sagged), ``encoder-jump`` (what it says jumps until a sync).
    Under a guider that measures: ``guide-overcorrection`` (it answers pulses by far too much),
    ``guide-calibration-nonsense`` (whatever the pulse, it goes east).
    """

    kind = Kind.MOUNT
    fed = True
    shows: ClassVar[tuple[str, ...]] = (
        "mount-stalls", "tracking-lost", "slew-refused", "slew-lands-elsewhere",
        "wrong-pier-side", "mount-limit-hit", "mount-clock-wrong", "mount-site-wrong",
        "mount-power-lost", "encoder-jump", "guide-overcorrection", "guide-calibration-nonsense",
    )  # fmt: skip

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(MountOptions, context)
        super().__init__(context)
        self._kind = mount_axes(self._options)
        self._body = MountBody(self._options, self._kind, self.clock, context.place, self.seed)
        self._settling = False
        self._goal: _Goal = None
        self._guider: GuiderTruth | None = None
        Heard(context, "guider", GuiderTruth, self._hear_guider)
        if self._options.person_at_knobs:
            KnobTurner(context, self.seed, self._turn_knobs)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {
            Slew: self._slew,
            Sync: self._sync,
            Track: self._track,
            Park: self._park,
            Unpark: self._unpark,
            Pulse: self._pulse,
        }

    def limits(self) -> dict[str, Any]:
        """Return the limits."""
        return {
            "slew_rate_deg_s": self._options.slew_rate_deg_s,
            "lowest_alt_deg": self._options.lowest_alt_deg,
            **self._kind.limits(),
        }

    def truth(self) -> MountTruth:
        """Return where the telescope really points."""
        return self._body.true

    def state(self) -> MountState:
        """Return the whole state; the coordinates are what the encoders say."""
        body = self._body
        ra, dec = body.believed()
        alt, az, ha = body.sky.believed_altaz_ha(ra, dec)
        return MountState(
            connected=self.connected,
            at_rest=body.parked,
            fault=self.fault,
            ra_deg=ra,
            dec_deg=dec,
            alt_deg=alt,
            az_deg=az,
            hour_angle_deg=ha,
            pier_side=body.pier_side,
            tracking=body.tracking,
            slewing=body.moving or self._settling,
            parked=body.parked,
        )

    def body(self) -> dict[str, JsonValue]:
        """Return what axes and electronics do and know."""
        goal: JsonValue = None
        if self._body.moving and self._goal is not None:
            goal = list(self._goal)
        return {"mount": self._body.save(), "goal": goal}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the mount on its star, on its way or parked, as its own computer has it."""
        kept, goal = body.get("mount"), body.get("goal")
        if not isinstance(kept, dict):
            return
        left_s = self._body.load(kept)
        if isinstance(goal, list):
            ra_deg, dec_deg, side = goal
            self._goal = (float(ra_deg), float(dec_deg), _side(side))  # type: ignore[arg-type]
        self._take_on()
        if self._body.moving:
            self.context.spawn(f"{self.context.name} slew", self._end_way(left_s))

    def trouble(self, name: str, began: bool) -> None:
        """Let happen what happens once, and take on what lasts."""
        self._take_on()
        if not began:
            return
        body = self._body
        if name == "tracking-lost" and body.tracking:
            body.track(on=False)
        elif name == "encoder-jump":
            body.jump(_JUMP_DEG, 0.0)
        elif name == "mount-limit-hit" and not body.parked:
            self.fault = "stopped by a limit switch; slew away from it"
            body.stand() if body.moving else body.track(on=False)
        elif name == "mount-power-lost":
            self.power_cut()

    def power_cut(self) -> None:
        """Stop, forget all syncs, and sag."""
        number = int(self.clock.unix_s())
        shares = (2.0 * unit(self.seed, axis, number) - 1.0 for axis in ("sag ra", "sag dec"))
        ra_deg, dec_deg = (_SAG_DEG * share for share in shares)
        self._body.lose_power((ra_deg, dec_deg))

    def _take_on(self) -> None:
        """Be as the faults that hold now want it."""
        body = self._body
        ahead_deg = sum(deg for name, deg in _AHEAD_DEG.items() if self.troubles.active(name))
        if ahead_deg != body.sky.ahead_deg:
            body.set_ahead(ahead_deg)
        if self.troubles.active("mount-stalls") != body.stalled:
            if body.moving:
                self.fault = "a motor has stalled on its way"
                body.stand()
            body.stall(on=not body.stalled)

    def beat(self) -> None:
        """Take stock, and stop at the mount's own limits."""
        if self._body.moving or not self._body.tracking:
            return
        self._body.anchor()
        end = self._kind.end_reached(self._body.axes())
        alt_deg = self._body.sky.believed_altaz_ha(*self._body.believed()).alt_deg
        if end is not None:
            self.fault = f"stopped {end}, at the mount's own limit"
        elif alt_deg < self._options.lowest_alt_deg:
            self.fault = f"stopped at altitude {alt_deg:.1f} deg, at the mount's own limit"
        else:
            return
        self._body.track(on=False)
        self.context.changed()

    async def come_to_rest(self) -> None:
        """Park."""
        await self._go_park()

    async def halt(self) -> None:
        """Stop moving and tracking; a slewing mount needs its time to slow down."""
        if self._body.moving:
            # On a way that an earlier driver has begun.
            self._body.stand()
        self._body.track(on=False)
        self.inform()
        await self.clock.sleep(self._options.slew_rate_deg_s / self._options.slew_accel_deg_s2)

    async def _slew(self, command: Slew) -> None:
        if self._body.parked:
            raise DeviceError(f"{self.context.name} is parked; unpark it before a slew")
        if self.troubles.active("slew-refused"):
            raise DeviceError(
                f"{self.context.name} refuses to slew and gives no reason", retryable=True
            )
        alt_deg, _, ha_deg = self._body.sky.believed_altaz_ha(command.ra_deg, command.dec_deg)
        if alt_deg < self._options.lowest_alt_deg:
            raise DeviceError(
                f"{self.context.name} does not slew to altitude {alt_deg:.1f} deg; its own limit"
                f" is {self._options.lowest_alt_deg:.1f} deg"
            )
        side = self._kind.arrive_on(command.pier_side, ha_deg)
        goal = self._body.sky.axes_for(command.ra_deg, command.dec_deg, side)
        if self.troubles.active("wrong-pier-side"):
            other = self._kind.turned_over(side)
            turned = self._body.sky.axes_for(command.ra_deg, command.dec_deg, other)
            if self._kind.refusal(turned, ha_deg) is None:
                side, goal = other, turned
        refusal = self._kind.refusal(goal, ha_deg)
        if refusal is not None:
            raise DeviceError(f"{self.context.name} {refusal}")
        self.fault = None
        await self._travel(goal, (command.ra_deg, command.dec_deg, side))
        self._arrive()
        self._settling = True
        self.publish_truth()
        try:
            await self.clock.sleep(self._options.settle_s)
        finally:
            self._settling = False
            self.inform()

    async def _sync(self, command: Sync) -> None:
        await self.clock.sleep(0.2)
        ra_deg, dec_deg = self._body.believed()
        east_deg = wrapped_deg(command.ra_deg - ra_deg) * math.cos(math.radians(dec_deg))
        if math.hypot(east_deg, command.dec_deg - dec_deg) > _SYNC_WITHIN_DEG:
            raise DeviceError(
                f"{self.context.name} does not sync to a position more than"
                f" {_SYNC_WITHIN_DEG:.0f} deg from where it believes that it points"
            )
        self._body.sync(command.ra_deg, command.dec_deg)
        self.inform()

    async def _track(self, command: Track) -> None:
        if command.on and self._body.parked:
            raise DeviceError(f"{self.context.name} is parked; unpark it before tracking")
        await self.clock.sleep(0.1)
        self._body.track(on=command.on)
        self.inform()

    async def _park(self, _command: Park) -> None:
        await self._go_park()

    async def _unpark(self, _command: Unpark) -> None:
        await self.clock.sleep(0.5)
        if self._body.parked:
            self._body.unpark()
            self.inform()

    async def _pulse(self, command: Pulse) -> None:
        if not self._body.tracking:
            raise DeviceError(f"{self.context.name} takes pulses only while it tracks")
        began_s = self.clock.mono()
        try:
            await self.clock.sleep(command.duration_ms / 1000.0)
        finally:
            # One that was cut short has moved by its share.
            gone_s = min(self.clock.mono() - began_s, command.duration_ms / 1000.0)
            if self._body.tracking:
                self._body.pulse(*self._bent(command.direction, gone_s))
                self.publish_truth()

    def _bent(self, direction: str, duration_s: float) -> tuple[str, float]:
        """Return what a guide pulse comes to: a mount in a bad way does something else."""
        if self.troubles.active("guide-calibration-nonsense"):
            direction = "east"
        if self.troubles.active("guide-overcorrection"):
            duration_s *= _OVERSHOOT
        return direction, duration_s

    async def _go_park(self) -> None:
        if not self._body.parked:
            await self._travel(self._kind.park, None)
            self._arrive()
            self.inform()

    def _arrive(self) -> None:
        if self._goal is None:
            self._body.stand(parked=True)
            return
        self._body.astray_deg = self._astray_deg()
        self._body.arrive(*self._goal)

    def _astray_deg(self) -> tuple[float, float]:
        if not self.troubles.active("slew-lands-elsewhere"):
            return 0.0, 0.0
        number = int(self.clock.unix_s())
        least, most = _ASTRAY_DEG
        reach = least + (most - least) * unit(self.seed, "astray", number)
        turn = 2.0 * math.pi * unit(self.seed, "astray towards", number)
        _, dec_deg, _ = self._goal or (0.0, 0.0, "west")
        aside = max(0.1, math.cos(math.radians(dec_deg)))
        return reach * math.sin(turn) / aside, reach * math.cos(turn)

    async def _end_way(self, left_s: float) -> None:
        """End the way that a driver before this one has begun."""
        way = self._body.way
        await self.clock.sleep(left_s)
        if self._body.way is way:
            self._arrive()
            self.inform()

    async def _travel(self, goal: Axes, ends: _Goal) -> None:
        if self._body.stalled:
            await self.clock.sleep(_STALL_S)
            raise DeviceError(
                f"{self.context.name} does not move: a motor stalls; check its balance, its cables"
                " and what the axes touch",
                retryable=True,
            )
        self._goal = ends
        duration_s = self._body.begin(goal)
        self.inform()
        try:
            await self.clock.sleep(duration_s)
        except asyncio.CancelledError:
            self._body.stand()
            self.inform()
            raise
        if not self._body.moving:
            raise DeviceError(f"{self.context.name} did not arrive: {self.fault}", retryable=True)

    def _turn_knobs(self, up_arcmin: float, east_arcmin: float) -> None:
        self._body.turn_knobs(up_arcmin, east_arcmin)
        self.publish_truth()

    def _hear_guider(self, guider: GuiderTruth) -> None:
        before, self._guider = self._guider, guider
        if self._body.guide(before, guider):
            self.publish_truth()


def _side(side: object) -> PierSide:
    return "west" if side == "west" else "east" if side == "east" else "unknown"


def make(context: DriverContext) -> SimulatedMount:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedMount(context))
