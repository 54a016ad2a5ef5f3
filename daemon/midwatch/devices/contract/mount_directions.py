"""Where a mount really points, when its clock or its site may be wrong."""

from __future__ import annotations

from midwatch.devices.contract.kinds import MountState
from midwatch.sky import Observer

__all__ = ["right_ascensions_deg"]

# A mount whose hour angle differs from ours by more has another time or place than we have. Its
# axes are where its hour angle says; whether its coordinates are right as well is not known.
_AGREE_DEG = 0.1


def right_ascensions_deg(observer: Observer, state: MountState, utc_s: float) -> tuple[float, ...]:
    """Return the right ascensions at which a mount may really point, degrees.

    The one that it reports; and where its hour angle does not belong to that at our time and
    place, the one that does. A driver that reports neither hour angle nor altitude is believed.
    """
    if state.hour_angle_deg == state.alt_deg == state.az_deg == 0.0:
        return (state.ra_deg,)
    ours_deg = observer.quick_at(utc_s).altaz_ha(state.ra_deg, state.dec_deg, utc_s).ha_deg
    off_deg = (ours_deg - state.hour_angle_deg + 180.0) % 360.0 - 180.0
    if abs(off_deg) <= _AGREE_DEG or abs(state.dec_deg) > 89.0:
        return (state.ra_deg,)
    return state.ra_deg, (state.ra_deg + off_deg) % 360.0
