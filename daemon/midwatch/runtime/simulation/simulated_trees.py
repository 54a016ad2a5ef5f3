"""What the simulated camera has in its way, for those who may know."""

from __future__ import annotations

from typing import Any

from midwatch.orders.reading import Night
from midwatch.sky import Horizon, TreeLine

__all__ = ["in_the_way"]


def in_the_way(night: Night) -> tuple[Horizon | TreeLine, ...]:
    """Return what hides the sky from a rig's simulated camera."""
    camera = night.rig.devices.present().get("camera")
    options: dict[str, Any] = {} if camera is None else dict(camera.options)
    found: list[Horizon | TreeLine] = []
    if options.get("obstacles"):
        edge = ((float(az), float(alt)) for az, alt in options["obstacles"])
        found.append(Horizon.from_pairs(edge))
    taller_deg = float(options.get("trees_above_horizon_deg", 0.0))
    if taller_deg > 0.0:
        found.append(TreeLine(night.horizon, taller_deg))
    return tuple(found)
