"""Two nights under a tree that the site's horizon does not know."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import yaml

from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from midwatch.sky import Horizon
from support.interface_bench import midwatch

CONFIGS = Path(__file__).parent.parent.parent / "configs"
SEED = 3
# A tree 46 degrees high in the west; the site says 28 to 35 there.
TREE = [[255, 10], [262, 46], [300, 46], [306, 10]]


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, list[NightOutcome]]]:
    folder = tmp_path_factory.mktemp("tree")
    for name in ("sites", "rigs"):
        shutil.copytree(CONFIGS / name, folder / name)
    rig_path = folder / "rigs" / "harrier.yaml"
    rig = yaml.safe_load(rig_path.read_text())
    rig["devices"]["camera"]["options"]["obstacles"] = TREE
    rig_path.write_text(yaml.safe_dump(rig))
    orders = {
        "site": "../sites/larch-hollow.yaml",
        "rig": "../rigs/harrier.yaml",
        "targets": [
            {"name": "IC 405", "frames": [{"filter": "L", "exposure_s": 600, "count": 100}]}
        ],
        "calibration": {"bias": 2},
    }
    path = folder / "orders" / "night.yaml"
    path.parent.mkdir()
    path.write_text(yaml.safe_dump(orders))
    (folder / "night").mkdir()
    print(f"seed {SEED}")
    outcomes = [
        rehearse(
            load_night(path), RehearsalOptions(SEED, "fast", folder / "night", date(2027, 3, day))
        )
        for day in (10, 11)
    ]
    yield folder, outcomes


def test_one_night_proposes_nothing_and_the_second_does(
    nights: tuple[Path, list[NightOutcome]],
) -> None:
    _, (first, second) = nights
    assert first.summary.horizon_seen
    assert all(one.proposed_deg is None for one in first.summary.horizon_seen)
    found = [one for one in second.summary.horizon_seen if one.proposed_deg is not None]
    assert found
    for one in found:
        assert 262 <= one.az_from_deg < 300
        assert one.declared_deg < (one.proposed_deg or 0.0) <= 46.0 + 1.0
    # It sinks two degrees in a frame: the highest range ends at the tree's edge within that.
    assert max(one.proposed_deg or 0.0 for one in found) >= 46.0 - 2.0
    assert first.promises_kept
    assert second.promises_kept
    # Whoever hides behind the tree is asked for again, and never accepted there.
    assert second.summary.targets[0].rejected > 0


def test_the_proposal_is_a_file_next_to_the_journal_and_the_sites_own_is_untouched(
    nights: tuple[Path, list[NightOutcome]],
) -> None:
    folder, outcomes = nights
    site = folder / "sites" / "larch-hollow.horizon.txt"
    assert site.read_bytes() == (CONFIGS / "sites" / "larch-hollow.horizon.txt").read_bytes()
    proposed = Horizon.from_file(folder / "night" / "horizon-proposed.txt")
    declared = Horizon.from_file(site)
    azimuths = np.arange(0.0, 360.0, 0.25)
    assert np.all(proposed.altitude_deg(azimuths) >= declared.altitude_deg(azimuths) - 1e-9)
    assert float(proposed.altitude_deg(278.0)) > float(declared.altitude_deg(278.0)) + 5.0
    report = (outcomes[1].folder / "report.html").read_text()
    assert "Horizon as the frames saw it" in report
    assert "horizon-proposed.txt" in report


def test_the_plan_of_the_next_night_tells_what_was_learned(
    nights: tuple[Path, list[NightOutcome]],
) -> None:
    folder, _ = nights
    orders, data = folder / "orders" / "night.yaml", folder / "night"
    said = midwatch("plan", orders, "--evening", "2027-03-12", "--out", data)
    assert said.code == 0, said.err
    assert "frames saw less sky than the site file says" in said.out
    assert "read noise hardly matters in exposures: L from " in said.out
    unknown = midwatch("plan", orders, "--evening", "2027-03-12", "--out", folder / "empty")
    assert "is not known yet" in unknown.out
    assert "less sky" not in unknown.out
