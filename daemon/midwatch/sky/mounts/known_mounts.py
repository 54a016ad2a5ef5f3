"""The kinds of mount that a rig file may declare, by name."""

from __future__ import annotations

from midwatch.sky.mounts.fork import ForkEquatorial
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch.sky.mounts.mount_geometry import MountGeometry, Settings

__all__ = ["GEOMETRIES", "declared_geometry"]

GEOMETRIES: dict[str, type[MountGeometry]] = {
    kind.name: kind for kind in (GermanEquatorial, ForkEquatorial)
}


def declared_geometry(name: str, settings: Settings) -> MountGeometry:
    """Return the geometry of a declared mount.

    Args:
        name: of its kind.
        settings: what the rig file says, by the names of its fields; a kind takes its own.

    Raises:
        KeyError: there is no such kind.
    """
    kind = GEOMETRIES[name]
    return kind.declared({field: settings[field] for field in kind.takes if field in settings})
