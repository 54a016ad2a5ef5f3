"""What the mount's own computer reckons from its clock and its site: hours, axes, directions."""

from __future__ import annotations

import math
from collections.abc import Callable

from midwatch.clock import Clock
from midwatch.sky import Observer, Place, QuickAltAz, QuickPlace
from midwatch.sky.mounts import PierSide
from midwatch_simulators.mount.axes import Axes
from midwatch_simulators.mount.mount_kinds import MountAxes

_QUICK_FOR_S = 3600.0


class Reckoning:
    """The sky over the mount, and the sky that it believes to be there.

    Attributes:
        ahead_deg: how far the mount's sidereal time is ahead of the true one; a wrong clock and a
            wrong longitude do the same.
    """

    def __init__(self, clock: Clock, place: Place, kind: MountAxes) -> None:
        self.ahead_deg = 0.0
        self._clock = clock
        self._place = place
        self._kind = kind
        self._observer = Observer(place)
        self._hemisphere = 1.0 if place.latitude_deg >= 0.0 else -1.0
        self._quick: tuple[float, QuickPlace] | None = None

    def altaz_ha(self, ra_deg: float, dec_deg: float) -> QuickAltAz:
        """Return the true altitude, azimuth and hour angle of a catalogue position now."""
        now = self._clock.unix_s()
        if self._quick is None or abs(now - self._quick[0]) > _QUICK_FOR_S:
            self._quick = (now, self._observer.quick(now))
        return self._quick[1].altaz_ha(ra_deg, dec_deg, now)

    def believed_altaz_ha(self, ra_deg: float, dec_deg: float) -> QuickAltAz:
        """Return the same as the mount has it."""
        return self.altaz_ha(ra_deg - self.ahead_deg, dec_deg)

    def axes_for(self, ra_deg: float, dec_deg: float, side: PierSide) -> Axes:
        """Return the axes for a catalogue position now, by way of the place of date."""
        alt_deg, az_deg, ha_deg = self.believed_altaz_ha(ra_deg, dec_deg)
        alt, az = math.radians(alt_deg), math.radians(az_deg)
        latitude = math.radians(self._place.latitude_deg)
        sin_dec = math.sin(alt) * math.sin(latitude)
        sin_dec += math.cos(alt) * math.cos(latitude) * math.cos(az)
        dec_deg_of_date = math.degrees(math.asin(min(1.0, max(-1.0, sin_dec))))
        return self._kind.axes_of(ha_deg, dec_deg_of_date, side, self._hemisphere)

    def sky_of(self, axes: Axes) -> tuple[float, float]:
        """Return the catalogue position to which the mount believes that axes point now."""
        ha_deg, dec_deg = self._kind.direction_of(axes, self._hemisphere)
        ha, dec = math.radians(ha_deg), math.radians(dec_deg)
        latitude = math.radians(self._place.latitude_deg)
        towards = math.cos(dec) * math.cos(ha)
        up = math.sin(dec) * math.sin(latitude) + towards * math.cos(latitude)
        north = math.sin(dec) * math.cos(latitude) - towards * math.sin(latitude)
        az_deg = math.degrees(math.atan2(-math.cos(dec) * math.sin(ha), north)) % 360.0
        alt_deg = math.degrees(math.asin(min(1.0, max(-1.0, up))))
        ra, icrs_dec = self._observer.icrs_from_altaz(alt_deg, az_deg, self._clock.unix_s())
        return (float(ra) + self.ahead_deg) % 360.0, float(icrs_dec)

    def through(
        self, bend: Callable[[float, float], tuple[float, float]], ra_deg: float, dec_deg: float
    ) -> tuple[float, float]:
        """Send a catalogue position through a change of altitude and azimuth now."""
        now = self._clock.unix_s()
        alt, az = self._observer.altaz(ra_deg, dec_deg, now)
        ra, dec = self._observer.icrs_from_altaz(*bend(float(alt), float(az)), now)
        return float(ra), float(dec)
