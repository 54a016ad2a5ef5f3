"""The limits of a mount, from what the user declared for the rig and the site."""

from __future__ import annotations

from midwatch.orders.models import MotionLimits
from midwatch.sky import Horizon, MountLimits
from midwatch.sky.mounts import MountGeometry


def mount_limits(motion: MotionLimits, geometry: MountGeometry, horizon: Horizon) -> MountLimits:
    """Return the limits of a rig's mount under a site's horizon."""
    return MountLimits(
        horizon=horizon.raised(motion.horizon_margin_deg),
        min_alt_deg=motion.min_altitude_deg,
        geometry=geometry,
        sun_min_sep_deg=motion.sun_distance_deg,
    )
