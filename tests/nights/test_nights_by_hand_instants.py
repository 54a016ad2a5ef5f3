"""Every order by hand in the middle of what is hardest to leave: focus run, flip, dawn's frames."""

from __future__ import annotations

from pathlib import Path

import pytest

from midwatch.journal.facts import DutyBegan, DutyEnded
from midwatch.sky import Observer, Place
from support.by_hand import FIRST_LIGHT_S, ORDERS, Seen, check_by_hand, kept, lights, night, write
from support.grids import thinned

COMMANDS = ("pause", "resume", "skip", "close", "change")
BENCH = Place(latitude_deg=46.2, longitude_deg=13.4, elevation_m=0.0)
# It is past the meridian by a degree at dusk, on the wrong side of the pier to stay there.
CROSSING_DEG = round(float(Observer(BENCH).local_sidereal_deg(FIRST_LIGHT_S)) - 1.0, 3)
FLIPPED = {
    **ORDERS,
    "targets": [
        {"name": "crossing", "ra": CROSSING_DEG, "dec": 35.0,
         "frames": [{"exposure_s": 120, "count": 8}]},
        {"name": "M 101", "priority": 2, "frames": [{"exposure_s": 120, "count": 2}]},
    ],
    "calibration": {"bias": 2, "flats": 3, "darks": 1},
}  # fmt: skip
# Seconds from the first light of the night that nobody disturbs, and what it does then.
INSTANTS = {
    "focus run, first sample": (-330.0, "focus"),
    "focus run, in its midst": (-275.0, "focus"),
    "flip, on its way": (928.0, "flip"),
    "flip, centring anew": (975.0, "flip"),
    "flats": (1518.0, "calibrate"),
    "darks": (1600.0, "calibrate"),
}
ENDS_S = 1700.0


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    folder = tmp_path_factory.mktemp("undisturbed")
    seen = night(folder / "night", write(folder / "orders", FLIPPED))
    kept(seen)
    return seen


@pytest.mark.parametrize("name", INSTANTS)
def test_the_undisturbed_night_is_doing_then_what_the_instants_say(
    undisturbed: Seen, name: str
) -> None:
    at_s, duty = INSTANTS[name]
    spans = {
        (began.at_utc_s - FIRST_LIGHT_S, ended.at_utc_s - FIRST_LIGHT_S)
        for began, ended in zip(
            [e for e in undisturbed.events if isinstance(e.fact, DutyBegan)],
            [e for e in undisturbed.events if isinstance(e.fact, DutyEnded)],
            strict=True,
        )
        if began.fact.duty == duty
    }
    assert any(began_s < at_s < ended_s for began_s, ended_s in spans), sorted(spans)


# Neighbours in this list differ in both, so that a part of it still has every one of each.
CASES = [(name, COMMANDS[(at + step) % 5]) for at, name in enumerate(INSTANTS) for step in range(5)]


@pytest.mark.parametrize(("name", "command"), thinned(CASES, 3))
def test_an_order_in_the_midst_of_it_leaves_a_sound_night(
    tmp_path: Path, undisturbed: Seen, name: str, command: str
) -> None:
    print("seed 1")
    at_s, duty = INSTANTS[name]
    seen = check_by_hand(tmp_path, [(at_s, command)], FLIPPED, ENDS_S)
    crossing, other = lights(seen, "crossing"), lights(seen, "M 101")
    if command in ("pause", "resume") or duty == "calibrate":
        # Nothing was taken back: all that was ordered is there in the end.
        assert (crossing, other) == (8, 2)
    else:
        assert crossing == lights_before(undisturbed, at_s)
        assert other == (0 if command == "close" else 2), "the next target gets its turn"


def lights_before(seen: Seen, at_s: float) -> int:
    """How many exposures the night that nobody disturbs had finished by then."""
    return sum(
        isinstance(e.fact, DutyEnded) and e.fact.duty == "expose" and e.fact.outcome == "done"
        and e.at_utc_s - FIRST_LIGHT_S < at_s
        for e in seen.events
    )  # fmt: skip
