"""A kind of mount that Midwatch does not have: what it takes to add one is this class."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Self

from midwatch.sky.mounts import Direction, MountGeometry, PierSide
from midwatch.sky.mounts.mount_geometry import Angle, Settings

RIG = """\
name: Third
optics: {focal_length_mm: 420, aperture_mm: 85}
mount: {geometry: alt_azimuth}
devices:
  mount: {driver: simulated-mount, options: {geometry: fork}}
  camera:
    driver: simulated-camera
    options: {width_px: 900, height_px: 700, pixel_um: 10.8}
  focuser: {driver: simulated-focuser, options: {best_position: 15000}}
camera: {pixel_um: 10.8}
focus: {start_position: 15000, step: 80}
"""


@dataclass(frozen=True)
class AltAzimuth(MountGeometry):
    """Turns about the vertical: near the zenith it would have to turn faster than it can."""

    name: ClassVar[str] = "alt_azimuth"
    words: ClassVar[str] = "alt-azimuth mount"
    field_turns: ClassVar[bool] = True

    zenith_deg: float = 5.0

    @classmethod
    def declared(cls, settings: Settings) -> Self:
        return cls()

    def excess_deg(self, at: Direction, side: PierSide) -> Angle:
        return at.alt_deg - (90.0 - self.zenith_deg)

    def limit_words(self, at: Direction, side: PierSide) -> str:
        return f"altitude {at.alt_deg:.2f} deg is too near to the zenith"

    def drawn_in(self, by_deg: float) -> Self:
        return replace(self, zenith_deg=self.zenith_deg + by_deg)
