"""The role of a guide camera: a kind that a rig has twice, and frames that nobody keeps."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from midwatch.devices.client import FolderSpool, fetch
from midwatch.devices.contract import ROLES, Kind, kind_of
from midwatch.devices.contract.kinds import FrameRef
from midwatch.orders.models import Devices
from midwatch.orders.reading import load_night
from midwatch.runtime.simulation import simulated_rig

CONFIGS = Path(__file__).parents[3] / "configs"


def test_every_kind_is_a_role_and_a_rig_can_have_a_second_camera() -> None:
    assert {kind.value for kind in Kind} <= set(ROLES)
    assert all(kind_of(kind.value) is kind for kind in Kind)
    assert kind_of("guide_camera") is Kind.CAMERA
    with pytest.raises(ValueError, match=r"'finder' is no role; roles are mount, camera"):
        kind_of("finder")


def test_what_a_rig_file_may_name_are_the_roles() -> None:
    assert set(Devices.model_fields) == set(ROLES)


def test_a_guider_finds_its_camera_connected_before_it() -> None:
    order = list(ROLES)
    assert order.index("guide_camera") < order.index("guider")


@pytest.mark.parametrize(
    ("sky_mode", "guider"), [("pixels", "midwatch-guider"), ("fast", "simulated-guider")]
)
def test_a_rehearsal_measures_guide_frames_where_there_are_pixels(
    sky_mode: str, guider: str
) -> None:
    rig = load_night(CONFIGS / "orders" / "guided-evening.yaml").rig
    devices = simulated_rig(rig, sky_mode).devices.present()
    assert devices["guider"].driver == guider
    assert devices["guide_camera"].driver == "simulated-guide-camera"
    assert devices["guide_camera"].options["sky_mode"] == sky_mode
    if guider.startswith("simulated"):
        assert devices["guider"].options == {}


def test_a_guider_without_a_guide_camera_is_always_stood_in_for() -> None:
    rig = load_night(CONFIGS / "orders" / "guided-evening.yaml").rig
    alone = rig.model_copy(
        update={"devices": rig.devices.model_copy(update={"guide_camera": None})}
    )
    assert simulated_rig(alone, "pixels").devices.present()["guider"].driver == "simulated-guider"


def test_guide_frames_are_kept_in_the_spool_until_they_are_acknowledged(tmp_path: Path) -> None:
    spool = FolderSpool(tmp_path)
    pixels = np.arange(12, dtype=np.uint16).reshape(3, 4)
    began = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
    for number, frame in enumerate(("guide", "light")):
        ref = FrameRef(
            sha256="0" * 64, where="", width_px=4, height_px=3, exposure_id="x", frame=frame,
            began_at=began, exposure_s=2, gain=0, offset=0, binning=1, sensor_c=None,
            setpoint_c=None, pixel_um=3.75, electrons_per_adu=None, saturation_adu=65535,
        )  # fmt: skip
        kept = spool.keep(pixels + number, ref)
        assert np.array_equal(fetch(kept), pixels + number)
        assert [ref.frame for ref in FolderSpool(tmp_path).waiting()] == [frame]
        spool.drop(kept.sha256)
        assert spool.waiting() == () and not list(tmp_path.glob("*.bin"))
