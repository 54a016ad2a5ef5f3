"""The body of the simulated mount: where the axes are, what they believe, and what is true."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from pydantic import Field, model_validator

from midwatch.clock import Clock
from midwatch.devices.models import PierSide
from midwatch.sky import Place
from midwatch.sky.place import Observer, QuickAltAz, QuickPlace

from .device import Options
from .gears import Gear
from .mount_axes import Axes, Passage, PointingModel, Side, axes_of, direction_of, wrapped_deg
from .mount_base import Base
from .noise import derived_seed, normal, unit
from .truth import SIDEREAL_ARCSEC_PER_S, GuiderTruth, MountTruth, shifted

PARK = Axes(0.0, 0.0)
_QUICK_FOR_S = 3600.0


# Characters of mounts: a well-made one, and a light one with a coarse worm (common practice, no
# source). Settings of their own go before those of the character.
_CHARACTERS: dict[str, dict[str, object]] = {
    "smooth": {
        "worm_arcsec": 6.0,
        "worm_period_s": 480.0,
        "worm_harmonics": (0.2, 0.1),
        "dec_backlash_arcsec": 1.5,
        "wind_arcsec_per_ms": 0.05,
        "polar_high_arcmin": 0.4,
        "polar_east_arcmin": -0.5,
    },
    "rough": {
        "worm_arcsec": 36.0,
        "worm_period_s": 430.0,
        "worm_harmonics": (0.35, 0.2, 0.1),
        "dec_backlash_arcsec": 9.0,
        "dec_stick_arcsec": 1.2,
        "wind_arcsec_per_ms": 0.25,
        "polar_high_arcmin": 2.0,
        "polar_east_arcmin": -2.5,
    },
}


class MountOptions(Options):
    """Settings of the simulated mount.

    Attributes:
        character: "smooth" or "rough" sets what is not set here.
        pointing_error_arcmin: spread of the error after a slew before any sync, beside what the
            misaligned axis and the air do.
        flexure_arcsec: spread of what changes as the polar axis turns.
        repeat_arcsec: spread of the error after a long slew back to the same position.
        worm_arcsec: periodic error, peak to peak of its first harmonic.
        worm_harmonics: sizes of the second, third ... harmonic as shares of the first.
        polar_high_arcmin: how much too high the axis points.
        polar_east_arcmin: how much too far east the axis points, azimuth angle.
        person_at_knobs: whether somebody turns the knobs of the base as guidance says.
        dec_backlash_arcsec: lost at each reversal of a guide pulse in declination.
        dec_stick_arcsec: held back after a reversal beyond that, then let go at once.
        dec_follows_sky: whether a pulse "north" moves north on both sides of the pier; else it
            moves south on the east side.
        wind_arcsec_per_ms: shake, one axis, by each m/s of gust above a calm wind.
        guide_rate: of the sidereal rate.
        lowest_alt_deg: the mount's own limit; it refuses and stops there.
        past_meridian_deg: how far the counterweight may rise above the horizontal.
    """

    character: Literal["smooth", "rough"] | None = None
    slew_rate_deg_s: float = Field(default=3.0, gt=0, le=20)
    slew_accel_deg_s2: float = Field(default=1.5, gt=0, le=20)
    settle_s: float = Field(default=3.0, ge=0, le=60)
    pointing_error_arcmin: float = Field(default=6.0, ge=0, le=60)
    flexure_arcsec: float = Field(default=5.0, ge=0, le=300)
    repeat_arcsec: float = Field(default=8.0, ge=0, le=300)
    worm_arcsec: float = Field(default=8.0, ge=0, le=120)
    worm_period_s: float = Field(default=480.0, gt=0)
    worm_harmonics: tuple[float, ...] = Field(default=(), max_length=8)
    polar_high_arcmin: float = Field(default=0.7, ge=-360, le=360)
    polar_east_arcmin: float = Field(default=-0.9, ge=-720, le=720)
    person_at_knobs: bool = False
    dec_backlash_arcsec: float = Field(default=5.0, ge=0, le=120)
    dec_stick_arcsec: float = Field(default=0.0, ge=0, le=60)
    dec_follows_sky: bool = True
    wind_arcsec_per_ms: float = Field(default=0.0, ge=0, le=10)
    guide_rate: float = Field(default=0.5, gt=0, lt=1)
    lowest_alt_deg: float = Field(default=0.0, ge=-90, le=60)
    past_meridian_deg: float = Field(default=15.0, ge=0, le=90)

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: object) -> object:
        if isinstance(given, dict) and given.get("character") in _CHARACTERS:
            return {**_CHARACTERS[given["character"]], **given}
        return given


class MountBody:
    """A mount that believes its encoders, and a telescope that points elsewhere.

    Nothing ticks: where everything is follows from the last change and the time.

    Attributes:
        true: where the telescope really points, since the last change.
        parked: the axes are locked.
    """

    def __init__(self, options: MountOptions, clock: Clock, place: Place, seed: int) -> None:
        self._options = options
        self._clock = clock
        self._place = place
        self._seed = seed
        self._observer = Observer(place)
        self._hemisphere = 1.0 if place.latitude_deg >= 0.0 else -1.0
        self._quick: tuple[float, QuickPlace] | None = None
        self._pointing = PointingModel(
            seed, options.pointing_error_arcmin * 60.0, options.flexure_arcsec
        )
        self._base = Base(place, options.polar_high_arcmin, options.polar_east_arcmin)
        self._sync_arcsec = (0.0, 0.0)
        self._passage: Passage | None = None
        self._axes = PARK
        self._slews = 0
        # How far each axis, polar and declination, has come to rest from where it should.
        self._slip_arcsec: tuple[float, ...] = (0.0, 0.0)
        self._dec_gear = Gear(options.dec_backlash_arcsec, options.dec_stick_arcsec)
        self.parked = True
        self._believed = self._sky_of(PARK)
        self.true = self._at_rest(tracking=False)

    @property
    def moving(self) -> bool:
        """Whether the axes are on their way."""
        return self._passage is not None

    @property
    def pier_side(self) -> PierSide:
        """Where the telescope is."""
        return self.axes().side

    def axes(self) -> Axes:
        """Return the angles of the axes now."""
        if self._passage is not None:
            return self._passage.at(self._clock.mono())
        if not self.true.tracking:
            return self._axes
        return Axes(self._axes.polar_deg + self._turned_deg(), self._axes.pole_distance_deg)

    def believed(self) -> tuple[float, float]:
        """Return right ascension and declination that the encoders say now."""
        if self._passage is not None:
            return self._sky_of(self._passage.at(self._clock.mono()))
        if self.true.tracking:
            return self._believed
        return (self._believed[0] + self._turned_deg()) % 360.0, self._believed[1]

    def altaz_ha(self, ra_deg: float, dec_deg: float) -> QuickAltAz:
        """Return altitude, azimuth and hour angle of a catalogue position now."""
        now = self._clock.unix_s()
        if self._quick is None or abs(now - self._quick[0]) > _QUICK_FOR_S:
            self._quick = (now, self._observer.quick(now))
        return self._quick[1].altaz_ha(ra_deg, dec_deg, now)

    def axes_for(self, ra_deg: float, dec_deg: float, side: Side) -> Axes:
        """Return the axes for a catalogue position now, by way of the place of date."""
        alt_deg, az_deg, ha_deg = self.altaz_ha(ra_deg, dec_deg)
        alt, az = math.radians(alt_deg), math.radians(az_deg)
        latitude = math.radians(self._place.latitude_deg)
        sin_dec = math.sin(alt) * math.sin(latitude)
        sin_dec += math.cos(alt) * math.cos(latitude) * math.cos(az)
        dec_deg_of_date = math.degrees(math.asin(min(1.0, max(-1.0, sin_dec))))
        return axes_of(ha_deg, dec_deg_of_date, side, self._hemisphere)

    # Changes ---------------------------------------------------------------------------------

    def anchor(self) -> None:
        """Bring encoders and truth up to the present instant."""
        now = self._clock.unix_s()
        axes, believed = self.axes(), self.believed()
        ra, dec = self.true.pointing(now)
        self._axes, self._believed = axes, believed
        self._update(
            utc_s=now, ra_deg=ra, dec_deg=dec, hour_angle_deg=self.altaz_ha(ra, dec).ha_deg
        )

    def begin(self, goal: Axes) -> float:
        """Start towards other axes and return the seconds that it takes."""
        options = self._options
        start = self.axes()
        self.anchor()
        self.parked = False
        self._slews += 1
        self._update(slewing=True, tracking=False, guided=False, parked=False)
        self._passage = Passage(
            start, goal, self._clock.mono(), options.slew_rate_deg_s, options.slew_accel_deg_s2
        )
        return self._passage.duration_s

    def arrive(self, ra_deg: float, dec_deg: float, side: Side) -> None:
        """End the way on a catalogue position and track it."""
        assert self._passage is not None
        moves_deg = self._passage.distances_deg
        self._passage = None
        self._believed, self._axes = (ra_deg, dec_deg), self.axes_for(ra_deg, dec_deg, side)
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
        self._axes, self._passage = self.axes(), None
        self._believed, self.parked = self._sky_of(self._axes), parked
        self.true = self._at_rest(tracking=False)

    def unpark(self) -> None:
        """Unlock the axes."""
        self.anchor()
        self.parked = False
        self._update(parked=False)

    def track(self, *, on: bool) -> None:
        """Start or stop to follow the stars."""
        self.anchor()
        self._update(tracking=on, guided=False)

    def sync(self, ra_deg: float, dec_deg: float) -> None:
        """Believe to point at a position; the telescope itself does not move."""
        self.anchor()
        self._believed = (ra_deg, dec_deg)
        self._axes = self.axes_for(ra_deg, dec_deg, self._axes.side)
        error_east, error_north = self._pointing.error_arcsec(self._axes)
        # Where the encoders ought to be, as seen from the base.
        ra, dec = self._through(self._base.encoders, self.true.ra_deg, self.true.dec_deg)
        off_east = wrapped_deg(ra - ra_deg) * 3600.0
        self._sync_arcsec = (
            off_east * math.cos(math.radians(dec)) - error_east - self._slip_arcsec[0],
            (dec - dec_deg) * 3600.0 - error_north - self._slip_arcsec[1],
        )

    def turn_knobs(self, up_arcmin: float, east_arcmin: float) -> None:
        """Turn the base, and the telescope with it, so that the axis moves up and east."""
        self.anchor()
        seen = self._through(self._base.encoders, self.true.ra_deg, self.true.dec_deg)
        self._base.turn(up_arcmin, east_arcmin)
        ra, dec = self._through(self._base.look, *seen)
        x_deg, y_deg = self._base.tilt_deg()
        self._update(
            ra_deg=ra,
            dec_deg=dec,
            hour_angle_deg=self.altaz_ha(ra, dec).ha_deg,
            axis_error_x_deg=x_deg,
            axis_error_y_deg=y_deg,
        )

    def shift(self, east_arcsec: float, north_arcsec: float) -> None:
        """Move a little, encoders and telescope alike."""
        self.anchor()
        self._believed = shifted(*self._believed, east_arcsec, north_arcsec)
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
        turned = self._axes.side == "east" and not self._options.dec_follows_sky
        north = (direction == "north") is not turned
        # The motor turns the same way for north on the one side and for south on the other.
        side = 1.0 if self._axes.side == "west" else -1.0
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

    # Inside ----------------------------------------------------------------------------------

    def _turned_deg(self) -> float:
        return SIDEREAL_ARCSEC_PER_S * (self._clock.unix_s() - self.true.utc_s) / 3600.0

    def _update(self, **changes: float | bool) -> None:
        self.true = self.true.model_copy(update=changes)

    def _through(
        self, bend: Callable[[float, float], tuple[float, float]], ra_deg: float, dec_deg: float
    ) -> tuple[float, float]:
        """Send a catalogue position through a change of altitude and azimuth now."""
        now = self._clock.unix_s()
        alt, az = self._observer.altaz(ra_deg, dec_deg, now)
        ra, dec = self._observer.icrs_from_altaz(*bend(float(alt), float(az)), now)
        return float(ra), float(dec)

    def _at_rest(self, *, tracking: bool) -> MountTruth:
        """Return the truth on the present axes, pointing errors applied."""
        east, north = self._pointing.error_arcsec(self._axes)
        east += self._sync_arcsec[0] + self._slip_arcsec[0]
        north += self._sync_arcsec[1] + self._slip_arcsec[1]
        ra, dec = self._through(self._base.look, *shifted(*self._believed, east, north))
        options = self._options
        x_deg, y_deg = self._base.tilt_deg()
        return MountTruth(
            utc_s=self._clock.unix_s(),
            ra_deg=ra,
            dec_deg=dec,
            hour_angle_deg=self.altaz_ha(ra, dec).ha_deg,
            pier_side=self._axes.side,
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

    def _sky_of(self, axes: Axes) -> tuple[float, float]:
        """Return the catalogue position to which axes point now."""
        ha_deg, dec_deg = direction_of(axes, self._hemisphere)
        ha, dec = math.radians(ha_deg), math.radians(dec_deg)
        latitude = math.radians(self._place.latitude_deg)
        towards = math.cos(dec) * math.cos(ha)
        up = math.sin(dec) * math.sin(latitude) + towards * math.cos(latitude)
        north = math.sin(dec) * math.cos(latitude) - towards * math.sin(latitude)
        az_deg = math.degrees(math.atan2(-math.cos(dec) * math.sin(ha), north)) % 360.0
        alt_deg = math.degrees(math.asin(min(1.0, max(-1.0, up))))
        ra, icrs_dec = self._observer.icrs_from_altaz(alt_deg, az_deg, self._clock.unix_s())
        return float(ra), float(icrs_dec)
