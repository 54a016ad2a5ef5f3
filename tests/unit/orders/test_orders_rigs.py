"""Shipped rigs say what simulated devices understand, and agree with themselves."""

from __future__ import annotations

from pathlib import Path

import pytest

from midwatch.orders.reading import load_rig
from midwatch_plugins.drivers.guider_settings import GuiderOptions as MidwatchGuiderOptions
from midwatch_simulators.instruments.simulated_filter_wheel import FilterWheelOptions
from midwatch_simulators.instruments.simulated_flat_panel import FlatPanelOptions
from midwatch_simulators.instruments.simulated_focuser import FocuserOptions
from midwatch_simulators.instruments.simulated_guide_camera import GuideCameraOptions
from midwatch_simulators.instruments.simulated_guider import GuiderOptions
from midwatch_simulators.instruments.simulated_roof import RoofOptions
from midwatch_simulators.instruments.simulated_switch import SwitchOptions
from midwatch_simulators.instruments.simulated_weather import WeatherOptions
from midwatch_simulators.mount.options import MountOptions
from midwatch_simulators.sky import CameraOptions

RIGS = sorted((Path(__file__).parents[3] / "configs/rigs").glob("*.yaml"))
OPTIONS = {
    "simulated-mount": MountOptions,
    "simulated-camera": CameraOptions,
    "simulated-focuser": FocuserOptions,
    "simulated-guider": GuiderOptions,
    "simulated-guide-camera": GuideCameraOptions,
    "midwatch-guider": MidwatchGuiderOptions,
    "simulated-filter-wheel": FilterWheelOptions,
    "simulated-weather": WeatherOptions,
    "simulated-roof": RoofOptions,
    "simulated-flat-panel": FlatPanelOptions,
    "simulated-switch": SwitchOptions,
}


@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
def test_simulated_devices_take_the_options(path):
    rig = load_rig(path, drivers=OPTIONS)
    for entry in rig.devices.present().values():
        OPTIONS[entry.driver].model_validate(entry.options)


@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
def test_rig_and_simulated_devices_agree(path):
    rig = load_rig(path)
    camera = CameraOptions.model_validate(rig.devices.camera.options)
    focuser = FocuserOptions.model_validate(rig.devices.focuser.options)
    assert camera.pixel_um == rig.camera.pixel_um
    assert camera.focal_length_mm == rig.optics.focal_length_mm
    assert camera.aperture_mm == rig.optics.aperture_mm
    assert rig.focus.backlash_steps >= focuser.backlash_steps
    assert rig.focus.steps_per_um == 1 / focuser.um_per_step
    reach = 3 * rig.focus.step
    assert abs(rig.focus.start_position - focuser.best_position) < reach
    if rig.devices.filter_wheel:
        wheel = FilterWheelOptions.model_validate(rig.devices.filter_wheel.options)
        assert rig.focus.filter_offsets == wheel.focus_offset_um


def test_the_shipped_fields_suit_the_plate_solver():
    # 206.265 arcsec per um per m is the small-angle formula of the image scale; the embedded
    # star catalogue carries fields from about one degree (common practice, no source).
    for path in RIGS:
        rig = load_rig(path)
        camera = CameraOptions.model_validate(rig.devices.camera.options)
        scale_arcsec = 206.265 * rig.camera.pixel_um / rig.optics.focal_length_mm
        assert scale_arcsec * camera.width_px / 3600 > 1.3
        assert scale_arcsec * camera.height_px / 3600 > 1.0
        assert 2 < scale_arcsec < 3
