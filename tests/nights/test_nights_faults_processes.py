"""Nights in which the process of a device's driver dies, hangs or grows."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_expectations import PROCESSES, Expected
from support.fault_nights import SEED, check, named, rehearsed
from support.grids import thinned


@pytest.mark.parametrize(("name", "expected"), thinned(named(PROCESSES), 3))
def test_a_night_with(name: str, expected: Expected, tmp_path: Path) -> None:
    print(f"seed {SEED}")
    check(name, rehearsed(tmp_path, f"{name}@{expected.when}"), expected)
