"""The body of the simulated mount: where the axes are, what they believe, and what is true."""

from __future__ import annotations

import math
from collections.abc import Mapping

from pydantic import JsonValue

from midwatch.clock import Clock
from midwatch.devices.contract import Model
from midwatch.sky import Place
from midwatch.sky.mounts import PierSide
from midwatch_simulators.base import (
    SIDEREAL_ARCSEC_PER_S,
    GuiderTruth,
    MountTruth,
    derived_seed,
    normal,
    shifted,
    unit,
)
from midwatch_simulators.mount.axes import Axes, Passage, PointingModel, wrapped_deg
from midwatch_simulators.mount.gears import Gear
from midwatch_simulators.mount.mount_base import Base
from midwatch_simulators.mount.mount_computer import Reckoning
from midwatch_simulators.mount.mount_kinds import MountAxes
from midwatch_simulators.mount.options import MountOptions as MountOptions


class Kept(Model):
    """What is kept of a mount while it has no driver; see `MountBody`."""

    true: MountTruth
    parked: bool
    tracking: bool
    believed: tuple[float, float]
    axes: tuple[float, float]
    sync_arcsec: tuple[float, float]
    slip_arcsec: tuple[float, float]
    lost_deg: tuple[float, float]
    landed_deg: tuple[float, float]
    ahead_deg: float
    stalled: bool
    slews: int
    base_arcmin: tuple[float, float]
    dec_gear: tuple[float, float, float]
    way: tuple[float, float, float, float, float] | None


class MountBody:
    """A mount that believes its encoders, and a telescope that points elsewhere.

    Nothing ticks: where everything is follows from the last change and the time.

    Attributes:
        true: where the telescope really points, since the last change.
        parked: the axes are locked.
        tracking: the motor of the polar axis is set to follow the stars.
        sky: what the mount reckons.
        astray_deg: how far from its goal, right ascension and declination, the next slew ends.
    """

    def __init__(
        self, options: MountOptions, kind: MountAxes, clock: Clock, place: Place, seed: int
    ) -> None:
        self._options = options
        self._kind = kind
        self._clock = clock
        self._seed = seed
        self.sky = Reckoning(clock, place, kind)
        self._pointing = PointingModel(
            seed, options.pointing_error_arcmin * 60.0, options.flexure_arcsec
        )
        self._base = Base(place, options.polar_high_arcmin, options.polar_east_arcmin)
        self._sync_arcsec = (0.0, 0.0)
        self._passage: Passage | None = None
        self._axes = kind.park
        self._slews = 0
        # How far each axis, polar and declination, has come to rest from where it should.
        self._slip_arcsec: tuple[float, ...] = (0.0, 0.0)
        self._dec_gear = Gear(options.dec_backlash_arcsec, options.dec_stick_arcsec)
        # What the encoders do not know of: steps lost, jumps, and where the last slew ended.
        self._lost_deg = (0.0, 0.0)
        self.astray_deg = self._landed_deg = (0.0, 0.0)
        self._stalled = False
        self.parked, self.tracking = True, False
        self._believed = self.sky.sky_of(kind.park)
        self.true = self._at_rest(tracking=False)

    @property
    def moving(self) -> bool:
        """Whether the axes are on their way."""
        return self._passage is not None

    @property
    def way(self) -> Passage | None:
        """The way that the axes are on."""
        return self._passage

    @property
    def pier_side(self) -> PierSide:
        """Where the telescope is."""
        return self._kind.side(self.axes())

    def axes(self) -> Axes:
        """Return the angles of the axes now."""
        if self._passage is not None:
            return self._passage.at(self._clock.mono())
        if not self.tracking:
            return self._axes
        return Axes(self._axes.polar_deg + self._turned_deg(), self._axes.pole_distance_deg)

    def believed(self) -> tuple[float, float]:
        """Return right ascension and declination that the encoders say now."""
        if self._passage is not None:
            return self.sky.sky_of(self._passage.at(self._clock.mono()))
        if self.tracking:
            return self._believed
        return (self._believed[0] + self._turned_deg()) % 360.0, self._believed[1]

    # Changes ---------------------------------------------------------------------------------

    def anchor(self) -> None:
        """Bring encoders and truth up to the present instant."""
        now = self._clock.unix_s()
        axes, believed = self.axes(), self.believed()
        ra, dec = self.true.pointing(now)
        self._axes, self._believed = axes, believed
        self._update(
            utc_s=now, ra_deg=ra, dec_deg=dec, hour_angle_deg=self.sky.altaz_ha(ra, dec).ha_deg
        )

    def begin(self, goal: Axes) -> float:
        """Start towards other axes and return the seconds that it takes."""
        options = self._options
        start = self.axes()
        self.anchor()
        self.parked = self.tracking = False
        self._slews += 1
        self._update(slewing=True, tracking=False, guided=False, parked=False)
        self._passage = Passage(
            start, goal, self._clock.mono(), options.slew_rate_deg_s, options.slew_accel_deg_s2
        )
        return self._passage.duration_s

    def arrive(self, ra_deg: float, dec_deg: float, side: PierSide) -> None:
        """End the way on a catalogue position and track it."""
        assert self._passage is not None
        moves_deg = self._passage.distances_deg
        self._passage, self.tracking = None, True
        self._landed_deg = self.astray_deg
        self._believed, self._axes = (ra_deg, dec_deg), self.sky.axes_for(ra_deg, dec_deg, side)
        # A short move repeats better than a long one, and an axis at rest stays where it is.
        self._slip_arcsec = tuple(
            slip * math.sqrt(1.0 - share * share)
            + share * self._options.repeat_arcsec * normal(self._seed, name, self._slews)
            for slip, share, name in zip(
                self._slip_arcsec,
                (min(1.0, move_deg) for move_deg in moves_deg),
                ("repeat e", "repeat n"),
                strict=True,
            )
        )
        self.true = self._at_rest(tracking=True)

    def stand(self, *, parked: bool = False) -> None:
        """End the way where the axes are now, without tracking."""
        self._axes, self._passage, self.tracking = self.axes(), None, False
        self._believed, self.parked = self.sky.sky_of(self._axes), parked
        self.true = self._at_rest(tracking=False)

    def unpark(self) -> None:
        """Unlock the axes."""
        self.anchor()
        self.parked = False
        self._update(parked=False)

    def track(self, *, on: bool) -> None:
        """Start or stop to follow the stars."""
        self.anchor()
        self.tracking = on
        self._update(tracking=on and not self._stalled, guided=False)

    def sync(self, ra_deg: float, dec_deg: float) -> None:
        """Believe to point at a position; the telescope itself does not move."""
        self.anchor()
        self._believed = (ra_deg, dec_deg)
        self._axes = self.sky.axes_for(ra_deg, dec_deg, self._side)
        error_east, error_north = self._pointing.error_arcsec(self._axes)
        # Where the encoders should be, as seen from the base.
        ra, dec = self.sky.through(self._base.encoders, self.true.ra_deg, self.true.dec_deg)
        off_ra_deg, off_dec_deg = wrapped_deg(ra - ra_deg + self.sky.ahead_deg), dec - dec_deg
        if self.sky.ahead_deg or any(self._lost_deg) or any(self._landed_deg):
            # Lost steps and hours are angles of the axes, the same all over the sky.
            self._lost_deg, off_ra_deg, off_dec_deg = (off_ra_deg, off_dec_deg), 0.0, 0.0
        self._landed_deg = (0.0, 0.0)
        off_east = off_ra_deg * 3600.0
        self._sync_arcsec = (
            off_east * math.cos(math.radians(dec)) - error_east - self._slip_arcsec[0],
            off_dec_deg * 3600.0 - error_north - self._slip_arcsec[1],
        )

    def turn_knobs(self, up_arcmin: float, east_arcmin: float) -> None:
        """Turn the base, and the telescope with it, so that the axis moves up and east."""
        self.anchor()
        seen = self.sky.through(self._base.encoders, self.true.ra_deg, self.true.dec_deg)
        self._base.turn(up_arcmin, east_arcmin)
        ra, dec = self.sky.through(self._base.look, *seen)
        x_deg, y_deg = self._base.tilt_deg()
        self._update(
            ra_deg=ra,
            dec_deg=dec,
            hour_angle_deg=self.sky.altaz_ha(ra, dec).ha_deg,
            axis_error_x_deg=x_deg,
            axis_error_y_deg=y_deg,
        )

    def shift(self, east_arcsec: float, north_arcsec: float) -> None:
        """Move a little, encoders and telescope alike."""
        self.anchor()
        self._believed = shifted(*self._believed, east_arcsec, north_arcsec)
        if self._stalled:
            return
        ra, dec = shifted(self.true.ra_deg, self.true.dec_deg, east_arcsec, north_arcsec)
        self._update(ra_deg=ra, dec_deg=dec)

    def pulse(self, direction: str, duration_s: float) -> None:
        """Move by a guide pulse.

        Right ascension never reverses, as a pulse is slower than tracking, and so has no play.
        The gear of the declination axis takes its share.
        """
        way = SIDEREAL_ARCSEC_PER_S * self._options.guide_rate * duration_s
        if direction in ("east", "west"):
            way *= math.cos(math.radians(self.true.dec_deg))
            self.shift(way if direction == "east" else -way, 0.0)
            return
        turned = self._side == "east" and not self._options.dec_follows_sky
        north = (direction == "north") is not turned
        # The motor turns the same way for north on the one side and for south on the other.
        side = -1.0 if self._side == "east" else 1.0
        motor = side * (way if north else -way)
        self.shift(0.0, side * self._dec_gear.turn(motor))

    def guide(self, before: GuiderTruth | None, guider: GuiderTruth) -> bool:
        """Follow what the guider does; returns whether anything changed."""
        if not self.true.tracking:
            return False
        one_run = before is not None and before.guiding and before.since_utc_s == guider.since_utc_s
        if guider.guiding and one_run and before is not None:
            east = guider.east_arcsec - before.east_arcsec
            north = guider.north_arcsec - before.north_arcsec
            if east == 0.0 and north == 0.0 and self.true.guided:
                return False
            self.shift(east, north)
        elif guider.guiding == self.true.guided:
            return False
        self.anchor()
        self._update(guided=guider.guiding)
        return True

    # What goes wrong -------------------------------------------------------------------------

    def stall(self, *, on: bool) -> None:
        """Let the motors track without the axes, or let them hold again; the steps stay lost."""
        self.anchor()
        if self._stalled and not on:
            self._lose_to(self.true.ra_deg, self.true.dec_deg)
        self._stalled = on
        self._update(tracking=self.tracking and not on, guided=False)

    def jump(self, ra_deg: float, dec_deg: float) -> None:
        """Let the encoders jump; the telescope stays."""
        self.anchor()
        self._believed = ((self._believed[0] + ra_deg) % 360.0, self._believed[1] + dec_deg)
        self._lost_deg = (self._lost_deg[0] - ra_deg, self._lost_deg[1] - dec_deg)

    def set_ahead(self, ahead_deg: float) -> None:
        """Take on another sidereal time: what the encoders say of the sky changes with it."""
        self.anchor()
        change_deg = ahead_deg - self.sky.ahead_deg
        self._believed = ((self._believed[0] + change_deg) % 360.0, self._believed[1])
        self.sky.ahead_deg = ahead_deg

    def lose_power(self, sag_deg: tuple[float, float]) -> None:
        """Stop, and forget all syncs; axes that are not locked sag."""
        if self._passage is not None:
            self.stand()
        self.track(on=False)
        self._sync_arcsec = (0.0, 0.0)
        if not self.parked:
            ra_deg, dec_deg = self._lost_deg
            self._lost_deg = (ra_deg + sag_deg[0], dec_deg + sag_deg[1])
        self.true = self._at_rest(tracking=False)

    def _lose_to(self, ra_deg: float, dec_deg: float) -> None:
        """Have lost as many steps as put the telescope here."""
        meant = self._at_rest(tracking=False)
        self._lost_deg = (
            self._lost_deg[0] + wrapped_deg(ra_deg - meant.ra_deg),
            self._lost_deg[1] + dec_deg - meant.dec_deg,
        )

    # Beyond the driver's life ----------------------------------------------------------------

    def save(self) -> dict[str, JsonValue]:
        """Return what `load` goes on from."""
        way: JsonValue = None
        if self._passage is not None:
            began_utc_s = self._clock.unix_s() - (self._clock.mono() - self._passage.began_s)
            start, end = self._passage.start, self._passage.end
            way = [start.polar_deg, start.pole_distance_deg,
                   end.polar_deg, end.pole_distance_deg, round(began_utc_s, 3)]  # fmt: skip
        return {
            "true": self.true.model_dump(mode="json"),
            "parked": self.parked,
            "tracking": self.tracking,
            "believed": list(self._believed),
            "axes": [self._axes.polar_deg, self._axes.pole_distance_deg],
            "sync_arcsec": list(self._sync_arcsec),
            "slip_arcsec": list(self._slip_arcsec),
            "lost_deg": list(self._lost_deg),
            "landed_deg": list(self._landed_deg),
            "ahead_deg": self.sky.ahead_deg,
            "stalled": self._stalled,
            "slews": self._slews,
            "base_arcmin": [self._base.high_arcmin, self._base.east_arcmin],
            "dec_gear": self._dec_gear.save(),
            "way": way,
        }

    def load(self, kept: Mapping[str, JsonValue]) -> float:
        """Go on from what `save` returned, and return the seconds that are left of a slew."""
        body = Kept.model_validate(dict(kept))
        self.true, self.parked, self.tracking = body.true, body.parked, body.tracking
        self._believed, self._axes = body.believed, Axes(*body.axes)
        self._sync_arcsec, self._slip_arcsec = body.sync_arcsec, body.slip_arcsec
        self._lost_deg, self._landed_deg = body.lost_deg, body.landed_deg
        self.sky.ahead_deg, self._stalled, self._slews = body.ahead_deg, body.stalled, body.slews
        self._base.high_arcmin, self._base.east_arcmin = body.base_arcmin
        self._dec_gear.load(body.dec_gear)
        if body.way is None:
            return 0.0
        gone_s = self._clock.unix_s() - body.way[4]
        options = self._options
        self._passage = Passage(
            Axes(*body.way[:2]), Axes(*body.way[2:4]), self._clock.mono() - gone_s,
            options.slew_rate_deg_s, options.slew_accel_deg_s2,
        )  # fmt: skip
        return max(0.0, self._passage.duration_s - gone_s)

    @property
    def stalled(self) -> bool:
        """Whether the motors turn without the axes."""
        return self._stalled

    # Inside ----------------------------------------------------------------------------------

    @property
    def _side(self) -> PierSide:
        """The side on which the axes last came to rest."""
        return self._kind.side(self._axes)

    def _turned_deg(self) -> float:
        return SIDEREAL_ARCSEC_PER_S * (self._clock.unix_s() - self.true.utc_s) / 3600.0

    def _update(self, **changes: float | bool) -> None:
        self.true = self.true.model_copy(update=changes)

    def _at_rest(self, *, tracking: bool) -> MountTruth:
        """Return the truth on the present axes, pointing errors applied."""
        east, north = self._pointing.error_arcsec(self._axes)
        east += self._sync_arcsec[0] + self._slip_arcsec[0]
        north += self._sync_arcsec[1] + self._slip_arcsec[1]
        ra, dec = self._believed
        ra += self._lost_deg[0] + self._landed_deg[0] - self.sky.ahead_deg
        dec = min(max(dec + self._lost_deg[1] + self._landed_deg[1], -90.0), 90.0)
        ra, dec = self.sky.through(self._base.look, *shifted(ra, dec, east, north))
        options = self._options
        x_deg, y_deg = self._base.tilt_deg()
        return MountTruth(
            utc_s=self._clock.unix_s(),
            ra_deg=ra,
            dec_deg=dec,
            hour_angle_deg=self.sky.altaz_ha(ra, dec).ha_deg,
            pier_side=self._side,
            camera_turn_deg=self._kind.geometry.camera_turn_deg(self._side),
            tracking=tracking,
            parked=self.parked,
            axis_error_x_deg=x_deg,
            axis_error_y_deg=y_deg,
            worm_arcsec=options.worm_arcsec,
            worm_period_s=options.worm_period_s,
            worm_phase=unit(self._seed, "worm"),
            worm_harmonics=options.worm_harmonics,
            wind_arcsec_per_ms=options.wind_arcsec_per_ms,
            wind_seed=derived_seed(self._seed, "wind") % 2**53,
        )
