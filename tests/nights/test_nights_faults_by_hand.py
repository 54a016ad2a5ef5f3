"""Nights in which a person does the wrong thing, or the right one at a bad moment."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_expectations import OPERATOR, Expected
from support.fault_nights import SEED, FaultNight, check, named, rehearsed


def check_orders(name: str, night: FaultNight) -> None:
    after = [fact for at_s, fact in night.of("frame_begun")
             if at_s > night.began_s and fact.frame == "light"]  # fmt: skip
    if name == "bad-orders":
        # What was taken before stands, and the mistake is on record where a person finds it.
        assert night.of("orders_changed") == []
        assert {fact.target for fact in after} == {"a field in Gemini"}
    elif name == "conflicting-commands":
        said = [fact.command for _, fact in night.of("operator")]
        assert "close" in said
        assert after == []
        ((ended_s, _),) = night.of("night_ended")
        assert ended_s < night.began_s + 1200.0
    else:
        (changed,) = night.of("orders_changed")
        assert night.began_s <= changed[0] <= night.began_s + 10.0
        assert {fact.target for fact in after} == {"its neighbour"}


@pytest.mark.parametrize(("name", "expected"), named(OPERATOR))
def test_a_night_with(name: str, expected: Expected, tmp_path: Path) -> None:
    print(f"seed {SEED}")
    night = rehearsed(tmp_path, f"{name}@{expected.when}")
    check(name, night, expected)
    check_orders(name, night)
