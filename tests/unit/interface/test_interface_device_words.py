"""Devices in words: what each kind does, with units, and no raw name of the contract."""

from __future__ import annotations

import pytest

from midwatch.devices.contract import ROLES, STATES, kind_of
from midwatch.devices.contract.kinds import CameraState, GuiderState, MountState, WeatherState
from midwatch.interface.console import device_words, labelled


def said(role: str, **state: object) -> str:
    model = STATES[kind_of(role)](connected=True, **state)  # type: ignore[arg-type]
    return device_words(role, model.model_dump(mode="json"))


@pytest.mark.parametrize(
    ("role", "state", "words"),
    [
        ("mount", {"parked": False, "tracking": True, "alt_deg": 62.4, "pier_side": "east"},
         "tracking, 62 deg up, east of pier"),
        ("mount", {"parked": False, "slewing": True, "alt_deg": 30.0}, "slewing, 30 deg up"),
        ("mount", {"parked": False, "alt_deg": 30.0},
         "at a standstill, not parked, 30 deg up"),
        ("mount", {}, "parked"),
        ("camera", {"phase": "exposing", "sensor_c": -10.02, "setpoint_c": -10.0,
                    "cooler_on": True}, "exposing, -10.0 degC"),
        ("camera", {"sensor_c": 4.0, "setpoint_c": -10.0, "cooler_on": True, "waiting": ("a",)},
         "idle, 4.0 degC, on its way to -10 degC, 1 frame not fetched yet"),
        ("guide_camera", {"phase": "reading"}, "reading out, cooler off"),
        ("focuser", {"position": 15000, "temperature_c": 6.31}, "at 15000, 6.3 degC"),
        ("filter_wheel", {"filters": ("L", "Ha"), "selected": "Ha"}, "Ha in the beam"),
        ("filter_wheel", {"moving": True}, "turning"),
        ("guider", {"phase": "guiding", "rms_total_arcsec": 0.716, "stars": 5},
         "guiding, 0.72 arcsec rms, 5 stars"),
        ("guider", {"phase": "lost"}, "guide star lost"),
        ("weather", {"air_c": 6.1, "humidity_percent": 71.2, "wind_ms": 2.1, "gust_ms": 3.4,
                     "cloud_percent": 10.0, "rain": False},
         "6.1 degC, humidity 71 %, wind 2.1 m/s, gusts 3.4, cloud 10 %, dry"),
        ("weather", {}, "no readings yet"),
        ("roof", {"position": "open"}, "open"),
        ("roof", {"position": "between"}, "stopped halfway"),
        ("flat_panel", {"lit": True, "brightness_percent": 40.0, "cover": "closed"},
         "lit at 40 %, cover closed"),
        ("rotator", {"angle_deg": 123.44}, "at 123.4 deg"),
        ("switch", {"outlets": {"camera": True, "heater": False}}, "camera on, heater off"),
    ],
)  # fmt: skip
def test_devices_are_shown_in_words(role: str, state: dict[str, object], words: str) -> None:
    assert said(role, **state) == words


@pytest.mark.parametrize("role", ROLES)
def test_no_kind_is_shown_by_names_of_the_contract(role: str) -> None:
    words = said(role)
    assert words
    assert "_" not in words and "None" not in words


def test_nothing_is_said_of_a_device_without_its_link() -> None:
    assert device_words("mount", MountState().model_dump()) == ""
    assert device_words("mount", None) == ""


@pytest.mark.parametrize(
    ("key", "value", "shown"),
    [
        ("sensor_c", -10.0, ("sensor", "-10 degC")),
        ("exposure_s", 240.0, ("exposure", "240 s")),
        ("drift_ra_arcsec_min", 0.254, ("drift ra", "0.25 arcsec/min")),
        ("cooler_on", True, ("cooler on", "yes")),
        ("waiting", (), ("waiting", "none")),
        ("outlets", {"lamp": False}, ("outlets", "lamp no")),
        ("rate_c_per_min", 3.0, ("rate", "3 degC/min")),
        ("humidity_percent", None, ("humidity", "-")),
    ],
)
def test_values_have_names_and_units(key: str, value: object, shown: tuple[str, str]) -> None:
    assert labelled(key, value) == shown


def test_every_number_of_the_contract_has_a_unit_or_counts_something() -> None:
    counts = ("position", "max_position", "star_snr", "stars", "overcorrection_ra",
              "overcorrection_dec", "cycles", "refused_pulses")  # fmt: skip
    for model in (CameraState, GuiderState, MountState, WeatherState):
        for key, field in model.model_fields.items():
            if "float" in str(field.annotation) and key not in counts:
                assert " " in labelled(key, 1.5)[1], key
