"""Kinds of mount: what follows from how the axes of a mount are built.

Where its axes must not turn, on which side of a pier the telescope is, whether and when it has to
be flipped, and what a flip changes for camera and guiding: one class for each kind answers all of
it, and nothing else in Midwatch knows. To add a kind, write its class and enter it in `GEOMETRIES`
(``known_mounts``).
"""

from midwatch.sky.mounts.fork import ForkEquatorial
from midwatch.sky.mounts.german import STRICT_GERMAN
from midwatch.sky.mounts.known_mounts import GEOMETRIES, declared_geometry
from midwatch.sky.mounts.mount_geometry import (
    AxisEnds,
    CalibrationSide,
    Direction,
    MountGeometry,
    PierSide,
)

__all__ = [
    "GEOMETRIES", "STRICT_GERMAN", "AxisEnds", "CalibrationSide", "Direction", "ForkEquatorial",
    "MountGeometry", "PierSide", "declared_geometry",
]  # fmt: skip
