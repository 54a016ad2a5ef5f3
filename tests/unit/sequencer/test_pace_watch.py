"""A machine that does not keep up with scaled time is told from a device that is in trouble."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from midwatch.journal.facts import Notice
from midwatch.sequencer.watches.pace_watch import PaceWatch

SPEED = 60.0
HEARTBEAT_S = 10.0


def notices(
    late_wall_s: list[list[float]], *, speed: float = SPEED, virtual: bool = False
) -> list[str]:
    """Look once for each row, which says how late each device's heartbeat is."""
    noted: list[Any] = []
    clock = SimpleNamespace(speed=speed, virtual=virtual)
    rig = SimpleNamespace(devices={})
    watch = PaceWatch(clock, rig, SimpleNamespace(note=noted.append))  # type: ignore[arg-type]
    for row in late_wall_s:
        rig.devices = {
            str(at): SimpleNamespace(
                age_s=lambda late=late: HEARTBEAT_S + late * speed, heartbeat_s=HEARTBEAT_S,
                state="as it was",
            )
            for at, late in enumerate(row)
        }  # fmt: skip
        watch.look()
    assert all(isinstance(fact, Notice) for fact in noted)
    return [fact.message for fact in noted]


LATE = [[1.2, 0.1], [0.1, 0.1]]


def test_once_a_night_it_says_how_late_devices_are_and_which_speed_to_choose() -> None:
    (message,) = notices([*LATE, [0.0, 1.5], [0.0, 0.0], *LATE, *LATE, *LATE])
    assert "60 times real time" in message
    assert "up to 1.5 s late by the wall clock, which is 90 s of this night" in message
    assert "--speed 10" in message


@pytest.mark.parametrize(
    ("rows", "changes"),
    [
        (LATE * 2, {}),  # a stall or two
        ([[2.5, 0.1]] * 9, {}),  # a device that has died
        ([[0.4, 0.6], [0.0, 0.0]] * 9, {}),
        (LATE * 9, {"speed": 1.0}),
        (LATE * 9, {"virtual": True}),
    ],
)
def test_it_says_nothing_of(rows: list[list[float]], changes: dict[str, Any]) -> None:
    assert notices(rows, **changes) == []
