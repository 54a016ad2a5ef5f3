"""The sky above a site: directions, nights, tracks, limits. Pure, vectorised, offline."""

from midwatch.sky.atmosphere import airmass, refraction_from_true_deg, sky_brightness_mag
from midwatch.sky.earth_rotation import earth_rotation_known
from midwatch.sky.geometry import critical_focus_zone_um, pixel_scale_arcsec, separation_deg
from midwatch.sky.horizon import Horizon, HorizonFileError
from midwatch.sky.limits import (
    Breach,
    LimitCheck,
    MountLimits,
    seconds_until_breach,
    slew_path_clear_of_sun,
)
from midwatch.sky.place import SIDEREAL_DEG_PER_S, Observer, Place, QuickAltAz, QuickPlace
from midwatch.sky.sun_moon import moon_altaz, moon_separation_deg, sun_altaz, sun_separation_deg
from midwatch.sky.target_motion import Fixed, Motion
from midwatch.sky.tracks import (
    Track,
    Window,
    time_at_hour_angle,
    track,
    transit_utc_s,
    visible_windows,
)
from midwatch.sky.trees import TreeLine
from midwatch.sky.twilight import NightEvents, evening_at, night_at, night_events
from midwatch.sky.vectors import FloatArray

__all__ = [
    "SIDEREAL_DEG_PER_S", "Breach", "Fixed", "FloatArray", "Horizon", "HorizonFileError",
    "LimitCheck", "Motion", "MountLimits", "NightEvents", "Observer", "Place", "QuickAltAz",
    "QuickPlace", "Track", "TreeLine", "Window", "airmass", "critical_focus_zone_um",
    "earth_rotation_known", "evening_at", "moon_altaz", "moon_separation_deg", "night_at",
    "night_events", "pixel_scale_arcsec", "refraction_from_true_deg", "seconds_until_breach",
    "separation_deg", "sky_brightness_mag", "slew_path_clear_of_sun", "sun_altaz",
    "sun_separation_deg", "time_at_hour_angle", "track", "transit_utc_s", "visible_windows",
]  # fmt: skip
