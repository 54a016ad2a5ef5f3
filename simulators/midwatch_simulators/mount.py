"""Simulated German equatorial mount."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Mapping
from typing import Any

from midwatch.devices.driver import DeviceError, DriverContext
from midwatch.devices.models import (
    Command,
    Kind,
    MountState,
    Park,
    Pulse,
    Slew,
    Sync,
    Track,
    Unpark,
)

from .device import Handler, Heard, SimulatedDevice, read_options
from .knob_turner import KnobTurner
from .mount_axes import Axes, natural_side, wrapped_deg
from .mount_body import PARK, MountBody, MountOptions
from .truth import GuiderTruth, MountTruth

_SYNC_WITHIN_DEG = 20.0


class SimulatedMount(SimulatedDevice):
    """A mount that slews, tracks, syncs, parks and takes guide pulses."""

    kind = Kind.MOUNT

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(MountOptions, context)
        super().__init__(context)
        self._body = MountBody(self._options, self.clock, context.place, self.seed)
        self._settling = False
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
            "past_meridian_deg": self._options.past_meridian_deg,
        }

    def truth(self) -> MountTruth:
        """Return where the telescope really points."""
        return self._body.true

    def state(self) -> MountState:
        """Return the whole state; the coordinates are what the encoders say."""
        body = self._body
        ra, dec = body.believed()
        alt, az, ha = body.altaz_ha(ra, dec)
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
            tracking=body.true.tracking,
            slewing=body.moving or self._settling,
            parked=body.parked,
        )

    def beat(self) -> None:
        """Take stock, and stop at the mount's own limits."""
        if self._body.moving or not self._body.true.tracking:
            return
        self._body.anchor()
        past_deg = abs(self._body.axes().polar_deg) - 90.0
        alt_deg = self._body.altaz_ha(*self._body.believed()).alt_deg
        if past_deg > self._options.past_meridian_deg:
            self.fault = f"stopped {past_deg:.1f} deg past the meridian, at the mount's own limit"
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
        self._body.track(on=False)
        self.tell()
        await self.clock.sleep(self._options.slew_rate_deg_s / self._options.slew_accel_deg_s2)

    async def _slew(self, command: Slew) -> None:
        if self._body.parked:
            raise DeviceError(f"{self.context.name} is parked; unpark it before a slew")
        alt_deg, _, ha_deg = self._body.altaz_ha(command.ra_deg, command.dec_deg)
        if alt_deg < self._options.lowest_alt_deg:
            raise DeviceError(
                f"{self.context.name} does not slew to altitude {alt_deg:.1f} deg; its own limit"
                f" is {self._options.lowest_alt_deg:.1f} deg"
            )
        side = command.pier_side or natural_side(ha_deg)
        goal = self._body.axes_for(command.ra_deg, command.dec_deg, side)
        if abs(goal.polar_deg) > 90.0 + self._options.past_meridian_deg:
            raise DeviceError(
                f"{self.context.name} cannot reach hour angle {ha_deg:.1f} deg on the {side} side"
                f" of the pier; its own limit is {self._options.past_meridian_deg:.1f} deg past"
                " the meridian. Ask for the other side"
            )
        self.fault = None
        await self._travel(goal)
        self._body.arrive(command.ra_deg, command.dec_deg, side)
        self._settling = True
        self.tell_truth()
        try:
            await self.clock.sleep(self._options.settle_s)
        finally:
            self._settling = False
            self.tell()

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
        self.tell()

    async def _track(self, command: Track) -> None:
        if command.on and self._body.parked:
            raise DeviceError(f"{self.context.name} is parked; unpark it before tracking")
        await self.clock.sleep(0.1)
        self._body.track(on=command.on)
        self.tell()

    async def _park(self, _command: Park) -> None:
        await self._go_park()

    async def _unpark(self, _command: Unpark) -> None:
        await self.clock.sleep(0.5)
        if self._body.parked:
            self._body.unpark()
            self.tell()

    async def _pulse(self, command: Pulse) -> None:
        if not self._body.true.tracking:
            raise DeviceError(f"{self.context.name} takes pulses only while it tracks")
        began_s = self.clock.mono()
        try:
            await self.clock.sleep(command.duration_ms / 1000.0)
        finally:
            # One that was cut short has moved by its share.
            gone_s = min(self.clock.mono() - began_s, command.duration_ms / 1000.0)
            if self._body.true.tracking:
                self._body.pulse(command.direction, gone_s)
                self.tell_truth()

    async def _go_park(self) -> None:
        if not self._body.parked:
            await self._travel(PARK)
            self._body.stand(parked=True)
            self.tell()

    async def _travel(self, goal: Axes) -> None:
        duration_s = self._body.begin(goal)
        self.tell()
        try:
            await self.clock.sleep(duration_s)
        except asyncio.CancelledError:
            self._body.stand()
            self.tell()
            raise

    def _turn_knobs(self, up_arcmin: float, east_arcmin: float) -> None:
        self._body.turn_knobs(up_arcmin, east_arcmin)
        self.tell_truth()

    def _hear_guider(self, guider: GuiderTruth) -> None:
        before, self._guider = self._guider, guider
        if self._body.guide(before, guider):
            self.tell_truth()


def make(context: DriverContext) -> SimulatedMount:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return SimulatedMount(context)
