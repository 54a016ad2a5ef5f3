"""The shipped night under trees ten degrees taller than the horizon file says."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
import yaml

from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse

CONFIGS = Path(__file__).parent.parent.parent / "configs"
SEED = 1


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[NightOutcome]:
    folder = tmp_path_factory.mktemp("trees")
    for name in ("sites", "rigs", "orders"):
        shutil.copytree(CONFIGS / name, folder / name)
    rig_path = folder / "rigs" / "harrier.yaml"
    rig = yaml.safe_load(rig_path.read_text())
    for device in ("camera", "guider"):
        rig["devices"][device].setdefault("options", {})["trees_above_horizon_deg"] = 10.0
    rig_path.write_text(yaml.safe_dump(rig))
    orders = load_night(folder / "orders" / "first-night.yaml")
    print(f"seed {SEED}")
    options = RehearsalOptions(SEED, "fast", folder / "out", date(2027, 3, 10), lean=True)
    yield rehearse(orders, options)


def test_nearly_all_that_could_be_had_past_the_trees_was_had(night: NightOutcome) -> None:
    kept = night.summary.yield_.kept
    assert kept is not None
    assert 0.93 <= kept <= 1.0
    assert night.promises_kept
    # A frame or two end at the edge of the trees; none is spent behind them.
    assert sum(target.rejected for target in night.summary.targets) <= 3


def test_the_summary_says_what_was_hidden_and_blames_no_device(night: NightOutcome) -> None:
    faults = night.summary.faults
    assert {(fault.device, fault.kind) for fault in faults} == {("sky", "hidden")}
    assert "taller than the horizon file says" in faults[0].message
    assert "azimuth" in faults[0].message
    seen = night.summary.horizon_seen
    assert [one for one in seen if (one.hidden_to_deg or 0.0) > one.declared_deg + 2.0]
