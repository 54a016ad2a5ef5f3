"""What a drill says of itself: its numbers, its JSON, its listing, and how to see a night again."""

from __future__ import annotations

import json
import math
import shlex
from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import jsonschema
import numpy as np
import pytest

from midwatch.bound import Gaps
from midwatch.drilling import NOT_ENDED, DrillFacts, Replay, TrialResult, drill_schema, sum_up
from midwatch.drilling.tally import Shrunk
from midwatch.drilling.trial import Broken, Trial
from midwatch.interface.cli.arguments import build_parser
from midwatch.interface.progress import Progress, listing
from midwatch.orders.injected import FAULT_KINDS, ScheduledFault, draw_faults, schedule

VIENNA = ZoneInfo("Europe/Vienna")
EVENING = date(2027, 3, 10)
DUSK = datetime(2027, 3, 10, 18, tzinfo=UTC).timestamp()
LONG = "configs/orders/a-rather-long-name-of-night-orders.yaml"
ROLES = ("mount", "camera", "focuser", "guider", "guide_camera", "filter_wheel", "weather", "roof")


def result(number: int, kept: float, broken: tuple[Broken, ...] = ()) -> TrialResult:
    faults = tuple(
        ScheduledFault(DUSK + 60.0 * i, DUSK + 60.0 * i + 1234.0, name)
        for i, name in enumerate(("guide-calibration-nonsense", "weather-driver-crash-loop"))
    )
    shuffle = 77 if number == 3 else 0
    trial = Trial(number, 900_000_000 + number, faults, again=number == 1, shuffle=shuffle)
    return TrialResult(
        trial=trial, digest="d" * 64, counted_s=30_000.0 * kept, bound_s=30_000.0,
        usable_s=32_000.0, frames=80, broken=broken, gaps=Gaps(), ended="parked",
        processor_s=3.0,
    )  # fmt: skip


def failed_by_drill(detail: str) -> Broken:
    return Broken.by_drill(NOT_ENDED, detail)


def drilled(undisturbed: TrialResult | None = None):
    lost = "the night hung: it took more than 60 s of processor, and " + "much more is said " * 9
    results = [result(n, n / 100.0) for n in range(100, 0, -1)]
    broken = (Broken(8, "ended: not closed", "The night ends parked"), failed_by_drill(lost))
    results[40] = result(60, 0.6, broken)
    shrunk = [Shrunk(60, 900_000_060, 8, (ScheduledFault(DUSK, math.inf, "roof-stays-shut"),))]
    replay = Replay(LONG, EVENING, VIENNA)
    first = undisturbed or result(0, 0.98)
    return sum_up(results, first, shrunk, replay, DrillFacts(LONG, EVENING, 7, 5))


def test_shares_are_those_of_the_nights():
    drill = drilled()
    assert drill.kept.median == pytest.approx(0.505)  # of 0.01, 0.02 ... 1.00
    assert drill.kept.percentile_5 == pytest.approx(0.0595)
    assert drill.kept.mean == pytest.approx(0.505)
    assert (drill.kept.least, drill.worst) == (0.01, [1, 2, 3, 4, 5])
    assert (drill.broken, drill.repeated, drill.nights) == ([60], 1, 100)
    assert drill.results[59].clairvoyant == pytest.approx(30_000.0 / 32_000.0)


def test_json_follows_its_schema():
    schema = drill_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    content = json.loads(drilled().model_dump_json(by_alias=True))
    jsonschema.validate(content, schema)
    assert content["schema"] == 1
    assert content["results"][0]["night"] == 1


def test_the_listing_fits_80_columns_and_names_what_broke():
    lines = [line for text in listing(drilled()) for line in text.split("\n")]
    assert max(map(len, lines)) <= 80
    text = "\n".join(lines)
    assert "promises kept in 99 of 100 nights (1 run twice and compared, 1 shuffled)" in text
    assert "BROKEN in 1 night, promise 8: The night ends parked" in text
    assert "BROKEN in 1 night, no end: Every night comes to an end" in text
    assert "roof-stays-shut@19:00:00" in text


def test_the_listing_says_what_the_worst_nights_spent_more_on_than_an_undisturbed_one():
    drill = drilled(replace(result(0, 0.98), ledger={"dithering": 900, "fault": 0}))
    worst = drill.results[0]
    spent = {"open_shutter": 9000, "dithering": 930, "fault": 3600, "unsafe": 7230, "slewing": 90}
    first = worst.model_copy(update={"ledger": spent, "refused_s": 4500.0})
    lines = listing(drill.model_copy(update={"results": [first, *drill.results[1:]]}))
    # 3600 s, 7230 s, 4500 s; 30 s more of dithering are the least, 90 s of slewing the fourth.
    seen = " ".join(" ".join(lines).split())
    costs = "unsafe weather 2 h 00 min, frames not accepted 1 h 15 min, faults 1 h 00 min midwatch"
    assert costs in seen
    assert "      faults 1 h 00 min" in lines
    assert max(len(line) for text in lines for line in text.split("\n")) <= 80


def test_a_night_without_faults_that_breaks_a_promise_is_reported_too():
    lines = listing(drilled(result(0, 0.98, (Broken(3, "the roof", "It closes in time"),))))
    assert any("BROKEN in 1 night, promise 3: It closes in time" in line for line in lines)
    assert any("the night without faults, seed 900000000: promise 3: the roof" in x for x in lines)


def test_progress_tells_of_broken_nights_and_of_what_was_tried_for_their_cause(capsys):
    progress = Progress(2)
    broken = (Broken(8, "ended: not closed", "The night ends parked"),)
    for one in (result(0, 0.98), result(1, 0.9), result(2, 0.5, broken)):
        progress(one)
    progress(result(2, 0.5, broken))
    progress(result(2, 0.9))
    seen = capsys.readouterr().err.splitlines()
    assert seen[-4] == "    night 2, seed 900000002: promise 8: ended: not closed"
    assert seen[-3].startswith("  2 of 2 nights, 1 broken, ")
    assert seen[-2].endswith("in night 2: with 2 faults it still breaks")
    assert seen[-1].endswith("in night 2: with 2 faults it breaks no more")
    assert "to go" not in seen[-3]


def test_a_listing_command_can_be_pasted():
    lines = listing(drilled())
    first = next(i for i, line in enumerate(lines) if "midwatch rehearse" in line)
    pasted = []
    for line in lines[first:]:
        pasted.append(line.removesuffix("\\"))
        if not line.endswith("\\"):
            break
    words = shlex.split(" ".join(pasted))
    assert words == shlex.split(drilled().results[0].replay)


def test_a_shuffled_night_is_seen_again_in_its_own_order():
    drill = drilled()
    assert [night.night for night in drill.results if night.shuffle] == [3]
    args = build_parser().parse_args(shlex.split(drill.results[2].replay)[1:])
    assert args.shuffle == drill.results[2].shuffle == 77
    assert "--shuffle" not in drill.results[1].replay
    # What a broken night comes down to keeps its order where it does not break without.
    broken = Shrunk(3, 900_000_003, 8, (), shuffle=77)
    replay = Replay(LONG, EVENING, VIENNA)
    (least,) = sum_up([], result(0, 0.98), [broken], replay, DrillFacts(LONG, EVENING, 7, 5)).shrunk
    assert (least.shuffle, least.replay.endswith(" --seed 900000003 --shuffle 77")) == (77, True)


@pytest.mark.parametrize("seed", range(20))
def test_the_command_gives_back_the_very_same_faults(seed):
    rng = np.random.default_rng(seed)
    drawn = draw_faults(rng, ROLES, DUSK - 7200.0, DUSK + 36_000.0, most=8)
    words = shlex.split(Replay(LONG, None, VIENNA).command(seed, drawn))
    args = build_parser().parse_args(words[1:])
    assert schedule(args.faults, EVENING, VIENNA) == drawn
    assert (args.seed, args.sky, str(args.orders)) == (seed, "fast", LONG)
    assert all(fault.name in FAULT_KINDS for fault in drawn)
