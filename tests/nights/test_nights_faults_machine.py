"""Nights in which the daemon's machine lets it down: power, disk, clock, sleep."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_expectations import MACHINE, Expected
from support.fault_nights import SEED, check, named, rehearsed


@pytest.mark.parametrize(("name", "expected"), named(MACHINE))
def test_a_night_with(name: str, expected: Expected, tmp_path: Path) -> None:
    print(f"seed {SEED}")
    check(name, rehearsed(tmp_path, f"{name}@{expected.when}"), expected)
