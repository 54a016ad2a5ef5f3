"""The base of the simulated mount: where its polar axis points, and the knobs that turn it.

Two knobs turn the whole mount, azimuth about the vertical and altitude about the horizontal line
across the axis. Encoders count from the base, so a telescope on a base that is off does not point
where they say; and the air lifts what it sees.
"""

from __future__ import annotations

import math

from midwatch.sky import Place, refraction_from_true_deg

_INVERSE_ROUNDS = 3  # for where a refracted object would be without air: to 0.01 arcsec


class Base:
    """A base that misses the pole.

    Attributes:
        high_arcmin: how much too high the axis points.
        east_arcmin: how much too far east, angle of azimuth.
    """

    def __init__(self, place: Place, high_arcmin: float, east_arcmin: float) -> None:
        self.high_arcmin = high_arcmin
        self.east_arcmin = east_arcmin
        self._place = place
        self._hemisphere = 1.0 if place.latitude_deg >= 0.0 else -1.0

    def turn(self, up_arcmin: float, east_arcmin: float) -> None:
        """Turn the knobs so that the axis moves up and east."""
        self.high_arcmin += up_arcmin
        self.east_arcmin += east_arcmin

    def look(self, alt_deg: float, az_deg: float) -> tuple[float, float]:
        """Return what an airless eye would have to look at to see the same as the telescope.

        Args:
            alt_deg: where the encoders say that the telescope points.
            az_deg: likewise.
        """
        alt, az = self._lifted(alt_deg, az_deg, self.high_arcmin / 60.0)
        az += self._hemisphere * self.east_arcmin / 60.0
        airless = alt
        for _ in range(_INVERSE_ROUNDS):
            airless = alt - self._refraction_deg(airless)
        return airless, az % 360.0

    def encoders(self, alt_deg: float, az_deg: float) -> tuple[float, float]:
        """Return what the encoders say when the telescope sees an airless position."""
        alt = alt_deg + self._refraction_deg(alt_deg)
        az = az_deg - self._hemisphere * self.east_arcmin / 60.0
        return self._lifted(alt, az, -self.high_arcmin / 60.0)

    def tilt_deg(self) -> tuple[float, float]:
        """Return how far the axis is tilted from the pole, as `MountTruth` has it.

        Towards the meridian's equator point and towards east; of the northern end, degrees.
        """
        latitude = math.radians(abs(self._place.latitude_deg))
        alt = latitude + math.radians(self.high_arcmin / 60.0)
        aside = math.radians(self.east_arcmin / 60.0)
        inward, east = math.cos(alt) * math.cos(aside), math.cos(alt) * math.sin(aside)
        up = math.cos(latitude) * math.sin(alt) - math.sin(latitude) * inward
        return math.degrees(self._hemisphere * up), math.degrees(self._hemisphere * east)

    def _lifted(self, alt_deg: float, az_deg: float, by_deg: float) -> tuple[float, float]:
        """Turn a direction about the east-west line so that the elevated pole rises."""
        alt, az, turn = map(math.radians, (alt_deg, az_deg, self._hemisphere * by_deg))
        north, east = math.cos(alt) * math.cos(az), math.cos(alt) * math.sin(az)
        up = math.sin(alt)
        to_north = north * math.cos(turn) - up * math.sin(turn)
        to_up = north * math.sin(turn) + up * math.cos(turn)
        return (
            math.degrees(math.atan2(to_up, math.hypot(to_north, east))),
            math.degrees(math.atan2(east, to_north)) % 360.0,
        )

    def _refraction_deg(self, airless_alt_deg: float) -> float:
        place = self._place
        return float(
            refraction_from_true_deg(airless_alt_deg, place.air_pressure_hpa, place.temperature_c)
        )
