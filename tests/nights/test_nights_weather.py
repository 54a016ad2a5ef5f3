"""Nights with bad weather: what is done at once, what waits, and when the night goes on."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml

from midwatch.journal.facts import (
    DecisionMade,
    DutyEnded,
    Fact,
    FrameLost,
    FrameRead,
    LookoutChanged,
    MotionEnded,
)
from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse

CONFIGS = Path(__file__).parent.parent.parent / "configs"
SEED = 11
HOUR_S = 3600.0


@dataclass
class Seen:
    """A rehearsed night with its events."""

    outcome: NightOutcome
    events: list[Event]
    noon_s: float

    def of(self, kind: type[Fact]) -> list[tuple[float, Fact]]:
        """Facts of a kind with the hours after mean solar noon."""
        return [
            ((e.at_utc_s - self.noon_s) / HOUR_S, e.fact)
            for e in self.events
            if isinstance(e.fact, kind)
        ]


def night_with(
    folder: Path, weather: dict[str, object], standing_orders: list[dict[str, object]]
) -> Seen:
    """Rehearse four hours of the demo night's second target under some weather."""
    for name in ("sites", "rigs"):
        shutil.copytree(CONFIGS / name, folder / name)
    rig_path = folder / "rigs" / "harrier.yaml"
    rig = yaml.safe_load(rig_path.read_text())
    rig["devices"]["weather"]["options"] = weather
    rig_path.write_text(yaml.safe_dump(rig))
    orders = {
        "site": "../sites/larch-hollow.yaml",
        "rig": "../rigs/harrier.yaml",
        "evening": "2027-03-10",
        "targets": [
            {"name": "M 101", "frames": [{"filter": "L", "exposure_s": 300, "count": 500}]}
        ],
        "standing_orders": standing_orders,
    }
    path = folder / "orders" / "night.yaml"
    path.parent.mkdir()
    path.write_text(yaml.safe_dump(orders))
    events: list[Event] = []
    data = folder / "night"
    data.mkdir()
    print(f"seed {SEED}")
    outcome = rehearse(load_night(path), RehearsalOptions(SEED, "fast", data, None), events.append)
    # Mean solar noon at 13.4 degrees east: 12:00 less 53.6 min, 11:06:24 UTC (arithmetic).
    noon_s = datetime(2027, 3, 10, 11, 6, 24, tzinfo=UTC).timestamp()
    return Seen(outcome, events, noon_s)


def test_rain_closes_the_roof_in_time_and_the_night_goes_on_after_the_calm(
    tmp_path: Path,
) -> None:
    """Rain for forty minutes in the middle of an exposure: nothing stands open in it."""
    began, ended = 9.95, 9.95 + 40 / 60
    seen = night_with(tmp_path, {"rains": [{"from": began, "to": ended}]}, [])
    secured = [at for at, fact in seen.of(DutyEnded)
               if isinstance(fact, DutyEnded) and (fact.duty, fact.outcome) == ("secure", "done")
               and at < 11.0]  # fmt: skip
    assert secured, "the rig was not secured"
    # The sensor reads once a minute; the site allows 240 s for parking and closing.
    assert began <= secured[0] <= began + (60 + 240) / HOUR_S
    parks = [at for at, fact in seen.of(MotionEnded)
             if isinstance(fact, MotionEnded) and fact.what == "park"]  # fmt: skip
    assert [at for at in parks if began <= at <= began + 0.1]
    lost = [fact for at, fact in seen.of(FrameLost) if began <= at <= began + 0.1]
    assert len(lost) == 1, "the exposure in hand is given up at once"
    begun = [(fact.began_utc_s - seen.noon_s) / HOUR_S for _, fact in seen.of(FrameRead)
             if isinstance(fact, FrameRead)]  # fmt: skip
    # 15 min of calm after the last rain, then open, slew, centre, focus, guide.
    calm = ended + 15 / 60
    assert not [at for at in begun if began < at < calm]
    assert [at for at in begun if calm <= at <= calm + 0.2], "the night did not go on"
    summary = seen.outcome.summary
    assert sum(summary.ledger.values()) == 32581
    assert 50 * 60 <= summary.ledger["unsafe"] <= 60 * 60
    assert next(p for p in summary.promises if p.number == 3).ok
    assert seen.outcome.promises_kept


def test_clouds_stop_exposures_between_frames_and_keep_the_roof_open(tmp_path: Path) -> None:
    """An hour of 80 percent cloud under a standing order to wait."""
    weather = {"clouds": [{"from": 10.0, "to": 11.0, "percent": 80}]}
    order = {"when": "clouds", "trip": 60, "clear": 35, "for_s": 180, "do": "wait"}
    seen = night_with(tmp_path, weather, [order])
    assert [f.status for _, f in seen.of(LookoutChanged)
            if isinstance(f, LookoutChanged) and f.lookout == "clouds"] == [
        "clear", "tripped", "clear",
    ]  # fmt: skip
    assert not [f for at, f in seen.of(FrameLost) if 9.9 < at < 11.1]
    begun = [(f.began_utc_s - seen.noon_s) / HOUR_S for _, f in seen.of(FrameRead)
             if isinstance(f, FrameRead)]  # fmt: skip
    assert not [at for at in begun if 10.15 < at < 11.0]
    assert [at for at in begun if 11.0 < at < 11.25]
    duties = [f.duty for at, f in seen.of(DecisionMade)
              if isinstance(f, DecisionMade) and 10.0 < at < 11.2]  # fmt: skip
    assert "secure" not in duties
    assert "open" not in duties
    assert 35 * 60 <= seen.outcome.summary.ledger["clouds"] <= 62 * 60
    assert seen.outcome.promises_kept


@pytest.mark.parametrize("silent_from", [10.0])
def test_a_gale_is_unsafe_however_clear_it_is(tmp_path: Path, silent_from: float) -> None:
    """Wind beyond the site's 9 m/s for good: the rig closes, and stays closed until dawn."""
    weather = {"winds": [{"from": silent_from, "to": 24.0, "more_ms": 15}]}
    seen = night_with(tmp_path, weather, [])
    begun = [(f.began_utc_s - seen.noon_s) / HOUR_S for _, f in seen.of(FrameRead)
             if isinstance(f, FrameRead)]  # fmt: skip
    assert begun
    assert max(begun) < silent_from + 0.05
    reasons = {f.reason for _, f in seen.of(DecisionMade)
               if isinstance(f, DecisionMade) and f.duty == "secure"}  # fmt: skip
    assert any("wind" in reason and "9 m/s" in reason for reason in reasons)
    assert seen.outcome.promises_kept
    assert seen.outcome.summary.ledger["unsafe"] > 6 * HOUR_S
