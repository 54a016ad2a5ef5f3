"""What a device does, in words and units, for each kind; and values under names for people."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from midwatch.devices.contract import kind_of
from midwatch.errors import MidwatchError

__all__ = ["device_words", "labelled"]

State = Mapping[str, Any]

# Ends of the contract's names, longest first, and the units that they mean.
_UNITS = (
    ("_arcsec_min", "arcsec/min"), ("_c_per_min", "degC/min"), ("_arcsec", "arcsec"),
    ("_percent", "%"), ("_deg", "deg"), ("_min", "min"), ("_ms", "m/s"), ("_px", "px"),
    ("_um", "um"), ("_c", "degC"), ("_s", "s"),
)  # fmt: skip
# What says nothing that the words before it have not said.
_PLAIN_ROOFS = {"between": "stopped halfway", "unknown": "position unknown"}
_NEAR_C = 1.0


def device_words(name: str, state: State | None) -> str:
    """Return what a device does, such as ``tracking, 62 deg up, east of pier``.

    Args:
        name: of the device, which is its role.
        state: as it is on the bus; "" for none, and for a device whose link is not open.
    """
    if not state or not state.get("connected"):
        return ""
    try:
        words = _WORDS.get(str(kind_of(name)))
    except (MidwatchError, ValueError, KeyError):
        words = None
    if words is None:
        return ", ".join(": ".join(labelled(key, value)) for key, value in _plain(state))
    return ", ".join(part for part in words(state) if part)


def labelled(key: str, value: object) -> tuple[str, str]:
    """Return a name and a value of the contract for a person: ``sensor``, ``-10.0 degC``."""
    for end, unit in _UNITS:
        if not key.endswith(end) or isinstance(value, bool | str):
            continue
        if value is None or isinstance(value, int | float):
            shown = "-" if value is None else f"{_number(value)} {unit}"
            return key.removesuffix(end).replace("_", " "), shown
    return key.replace("_", " "), _text(value)


def _plain(state: State) -> list[tuple[str, object]]:
    passed = ("connected", "at_rest", "fault")
    return [(key, value) for key, value in state.items() if key not in passed]


def _text(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(map(_text, value)) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_text(one)}" for key, one in value.items()) or "none"
    return _number(value) if isinstance(value, float) else str(value)


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def _measured(state: State, key: str, form: str) -> str:
    """Return a reading as the form shows it, or "" where there is none."""
    value = state.get(key)
    return form.format(value) if isinstance(value, int | float) else ""


# Kinds -----------------------------------------------------------------------------------------


def _mount(state: State) -> tuple[str, ...]:
    if state.get("parked"):
        return ("parked",)
    side = state.get("pier_side")
    does = "slewing" if state.get("slewing") else "tracking"
    return (
        does if state.get("slewing") or state.get("tracking") else "at a standstill, not parked",
        _measured(state, "alt_deg", "{:.0f} deg up"),
        f"{side} of pier" if side in ("east", "west") else "",
    )


def _camera(state: State) -> tuple[str, ...]:
    phase = {"idle": "idle", "exposing": "exposing", "reading": "reading out"}
    sensor, wanted = state.get("sensor_c"), state.get("setpoint_c")
    waiting = len(state.get("waiting") or ())
    cooler = ""
    if state.get("cooler_on") and sensor is not None and wanted is not None:
        far = abs(sensor - wanted) > _NEAR_C
        cooler = f"on its way to {wanted:g} degC" if far else ""
    return (
        phase.get(str(state.get("phase")), "idle"),
        _measured(state, "sensor_c", "{:.1f} degC"),
        cooler if state.get("cooler_on") else "cooler off",
        f"{waiting} frame{'' if waiting == 1 else 's'} not fetched yet" if waiting else "",
    )


def _focuser(state: State) -> tuple[str, ...]:
    at = _measured(state, "position", "at {:.0f}")
    return (
        f"moving, {at}" if state.get("moving") else at,
        _measured(state, "temperature_c", "{:.1f} degC"),
    )


def _filter_wheel(state: State) -> tuple[str, ...]:
    if state.get("moving"):
        return ("turning",)
    selected = state.get("selected")
    return (f"{selected} in the beam" if selected else "no filter known",)


def _guider(state: State) -> tuple[str, ...]:
    phase = str(state.get("phase"))
    if phase == "idle":
        return ("idle", "calibrated" if state.get("calibrated") else "not calibrated")
    stars = state.get("stars")
    return (
        "guide star lost" if phase == "lost" else phase,
        _measured(state, "rms_total_arcsec", "{:.2f} arcsec rms"),
        f"{stars} star{'' if stars == 1 else 's'}" if isinstance(stars, int) else "",
    )


def _weather(state: State) -> tuple[str, ...]:
    rain = state.get("rain")
    gust = _measured(state, "gust_ms", ", gusts {:.1f}")
    read = (
        _measured(state, "air_c", "{:.1f} degC"),
        _measured(state, "humidity_percent", "humidity {:.0f} %"),
        _measured(state, "wind_ms", "wind {:.1f} m/s") + gust,
        _measured(state, "cloud_percent", "cloud {:.0f} %"),
        "" if rain is None else "rain" if rain else "dry",
    )
    return read if any(read) else ("no readings yet",)


def _roof(state: State) -> tuple[str, ...]:
    position = str(state.get("position"))
    return (_PLAIN_ROOFS.get(position, position),)


def _flat_panel(state: State) -> tuple[str, ...]:
    cover = state.get("cover")
    light = _measured(state, "brightness_percent", "lit at {:.0f} %") if state.get("lit") else "off"
    return light, f"cover {cover}" if cover in ("open", "closed", "moving") else ""


def _rotator(state: State) -> tuple[str, ...]:
    at = _measured(state, "angle_deg", "at {:.1f} deg")
    return (f"turning, {at}" if state.get("moving") else at,)


def _switch(state: State) -> tuple[str, ...]:
    outlets = state.get("outlets") or {}
    shown = tuple(f"{name} {'on' if on else 'off'}" for name, on in outlets.items())
    return shown or ("no outlets",)


_WORDS: dict[str, Callable[[State], tuple[str, ...]]] = {
    "mount": _mount, "camera": _camera, "focuser": _focuser, "filter_wheel": _filter_wheel,
    "guider": _guider, "weather": _weather, "roof": _roof, "flat_panel": _flat_panel,
    "rotator": _rotator, "switch": _switch,
}  # fmt: skip
