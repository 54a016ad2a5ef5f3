"""Turns any rig into one that can be rehearsed: simulated devices in every role."""

from __future__ import annotations

from pydantic import JsonValue

from midwatch.orders.models import DeviceEntry, Devices, Rig

_PREFIX = "simulated-"
# Without pixels a night passes in seconds, and half of them would go into heartbeats. Rarer ones
# only make the rehearsal notice a silent device later.
_FAST_HEARTBEAT_S = 120.0
_FAST_LEASE_S = 480.0


def simulated_rig(rig: Rig, sky_mode: str) -> Rig:
    """Return the rig with every device simulated.

    Devices that are simulated already keep their options; real ones are replaced by a
    simulated device of the same kind that knows the rig's optics. A guider that works on a guide
    camera goes on to do so where that camera renders pixels; without pixels it has nothing to
    measure, and a simulated one replaces it.
    """
    entries = {
        role: _entry(rig, role, entry, sky_mode) for role, entry in rig.devices.present().items()
    }
    for role in ("camera", "guide_camera"):
        if role in entries:
            entry = entries[role]
            options = {**entry.options, "sky_mode": sky_mode}
            entries[role] = DeviceEntry(driver=entry.driver, options=options)
    return rig.model_copy(update={"devices": Devices(**entries)})


def with_rare_heartbeats(rig: Rig) -> Rig:
    """Return the rig as a rehearsal without pixels takes it."""
    calm = {"heartbeat_s": _FAST_HEARTBEAT_S, "lease_s": _FAST_LEASE_S}
    return rig.model_copy(update={"bus": rig.bus.model_copy(update=calm)})


def _entry(rig: Rig, role: str, entry: DeviceEntry, sky_mode: str) -> DeviceEntry:
    if entry.driver.startswith(_PREFIX):
        return entry
    if role == "guider" and rig.devices.guide_camera is not None and sky_mode == "pixels":
        return entry
    options: dict[str, JsonValue] = {}
    if role == "camera":
        options = {
            "pixel_um": rig.camera.pixel_um,
            "focal_length_mm": rig.optics.focal_length_mm,
            "aperture_mm": rig.optics.aperture_mm,
        }
    elif role == "focuser":
        options = {"best_position": rig.focus.start_position}
    elif role == "filter_wheel":
        options = {"filters": list(entry.options.get("filters") or ["L"])}  # type: ignore[arg-type]
    return DeviceEntry(driver=_PREFIX + role.replace("_", "-"), options=options)
