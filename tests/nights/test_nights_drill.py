"""Whole drills: nights under drawn faults, their bound, their replay, and what breaks one."""

from __future__ import annotations

import json
import math
import shlex
import subprocess
import sys
from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path

import jsonschema
import pytest

from midwatch.bound import Gaps
from midwatch.drilling import NOT_ENDED, Briefing, Crew, Drill, TrialResult, draw_trial
from midwatch.drilling.trial import Broken, Trial, run_trial
from midwatch.journal.promises import Promise, check_promises
from midwatch.orders.injected import ScheduledFault
from midwatch.orders.reading import load_night
from midwatch.planning import plan_night
from support.fault_nights import write_orders
from support.interface_bench import write_night
from support.pace import LIMIT_S

ROOT = Path(__file__).parent.parent.parent
FIRST_NIGHT = ROOT / "configs" / "orders" / "first-night.yaml"
EVENING = date(2027, 3, 10)
SHORT = """\
site: site.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: M 101
    frames: [{exposure_s: 60, count: 3}]
calibration: {darks: 0, flats: 0, bias: 0}
"""


def midwatch(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=LIMIT_S)


def test_a_short_drill_keeps_its_promises_and_the_bound_and_can_be_seen_again(tmp_path: Path):
    orders = write_orders(tmp_path / "orders")
    asked = ("--nights", 4, "--seed", 11, "--jobs", 2, "--json", "--out", tmp_path)
    done = midwatch("drill", orders, *asked)
    assert done.stdout, done.stderr
    drill = json.loads(done.stdout)  # standard output is JSON and nothing else
    assert json.loads((tmp_path / "drill.json").read_text(encoding="utf-8")) == drill
    schema = json.loads(midwatch("schema", "drill").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(drill, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(drill | {"nights": "ten"}, schema)
    broken = {night["night"]: night["broken"] for night in drill["results"] if night["broken"]}
    assert (done.returncode, broken) == (0, {}), done.stderr
    assert len(drill["results"]) == 4
    assert drill["repeated"] >= 1
    for night in (drill["undisturbed"], *drill["results"]):
        assert 0.0 < night["integration_s"] <= night["bound_s"]
    # Of so short a night each focus run and each frame that no longer fits are some percent.
    assert drill["undisturbed"]["kept"] > 0.86
    worst = next(n for n in drill["results"] if n["night"] == drill["worst"][0])
    again = midwatch(*shlex.split(worst["replay"])[1:], "--out", tmp_path / "night", "--json")
    night = json.loads(again.stdout)
    assert night["journal_digest"] == worst["journal_digest"]
    # By itself a night knows fewer short gaps, so that its own bound may be a little lower.
    used = night["yield"]
    assert used["had_s"] == pytest.approx(worst["integration_s"], abs=0.01)
    assert used["had_s"] <= used["bound_s"] <= worst["bound_s"] + 0.01
    assert used["kept"] == pytest.approx(used["had_s"] / used["bound_s"], abs=1e-5)


def test_what_nature_takes_is_not_held_against_a_night(tmp_path: Path):
    """With this seed the air is damper than the site allows for a quarter of an hour."""
    night = load_night(FIRST_NIGHT)
    plan = plan_night(night, EVENING)
    result = run_trial(night, plan, Trial(1, 30, ()), tmp_path)
    assert result.ended
    assert result.broken == ()
    # It costs that time and the calm time, at least 30 minutes of 9 hours: 5.5 percent.
    assert result.bound_s < 0.945 * plan.dark_s
    assert 0.95 < (result.kept or 0.0) <= 1.0


def test_what_breaks_a_night_is_shrunk_to_its_cause(tmp_path: Path):
    orders = write_night(tmp_path, orders=SHORT)
    night = load_night(orders)
    plan = plan_night(night, EVENING)
    # Nobody can end such a night in good order: it takes more than it may of the processor.
    heard: list[TrialResult] = []
    with Crew(Briefing(orders, EVENING, tmp_path / "nights", 0.05), 1) as crew:
        trial = draw_trial(3, 1, night, plan, 2)
        drilled = Drill(crew, heard.append).run(Trial(0, 1, ()), [trial])
    (result,) = drilled.results
    assert [broken.number for broken in result.broken] == [NOT_ENDED]
    assert "0.05 s of processor" in result.broken[0].detail
    # It needs none of the faults for that.
    assert [(one.promise, one.faults) for one in drilled.shrunk] == [(NOT_ENDED, ())]


class OneByOne(Crew):
    """Runs nights in this process, where a promise can be broken by hand."""

    def __init__(self, orders: Path, folder: Path) -> None:
        super().__init__(Briefing(orders, EVENING, folder, 60.0), 1)
        self.night = load_night(orders)
        self.plan = plan_night(self.night, EVENING)
        self.folder = folder
        self.tried: list[Trial] = []

    def run(
        self, trials: Iterable[Trial], undisturbed: Gaps | None = None
    ) -> Iterator[TrialResult]:
        for trial in trials:
            self.tried.append(trial)
            yield run_trial(self.night, self.plan, trial, self.folder, undisturbed)


def test_a_promise_that_two_faults_break_together_is_shrunk_to_these_two(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    def spoilt(events, record, *others):
        """All promises, and one that no night keeps in which mount and camera were gone."""
        gone = {f.began.device for f in record.faults.values() if f.began.fault == "unplugged"}
        kept = not {"mount", "camera"} <= gone
        extra = Promise(number=42, text="One at a time", ok=kept, detail=f"gone: {sorted(gone)}")
        return [*check_promises(events, record, *others), extra]

    monkeypatch.setattr("midwatch.reports.night_report.check_promises", spoilt)
    crew = OneByOne(write_night(tmp_path, orders=SHORT), tmp_path / "nights")
    dusk_s = crew.plan.dusk_s

    def fault(name: str, after_s: float, lasts_s: float) -> ScheduledFault:
        return ScheduledFault(dusk_s + after_s, dusk_s + after_s + lasts_s, name)

    causes = (fault("camera-unplugged", 20.0, 200.0), fault("mount-power-lost", 30.0, 240.0))
    others = (
        fault("retained-lost", -600.0, 0.0), fault("mount-clock-wrong", -900.0, 600.0),
        fault("focuser-driver-crash", 25.0, 0.0), fault("bus-duplicates", -100.0, 900.0),
    )  # fmt: skip
    trial = Trial(1, 5, tuple(sorted((*causes, *others))))
    heard: list[TrialResult] = []
    drilled = Drill(crew, heard.append).run(Trial(0, 5, ()), [trial])
    assert [broken.number for broken in drilled.results[0].broken] == [42]
    (shrunk,) = drilled.shrunk
    assert shrunk.promise == 42
    assert [left.name for left in shrunk.faults] == [cause.name for cause in causes]
    for left, cause in zip(shrunk.faults, causes, strict=True):
        assert left.from_utc_s == cause.from_utc_s
        assert left.until_utc_s < cause.until_utc_s  # shorter ones are enough
    # What is left breaks it, and neither fault does so alone.
    (once,) = crew.run([Trial(1, 5, shrunk.faults)])
    assert [broken.number for broken in once.broken] == [42]
    for alone in shrunk.faults:
        (once,) = crew.run([Trial(1, 5, (alone,))])
        assert once.broken == ()


def test_the_same_seed_draws_the_same_nights():
    night = load_night(FIRST_NIGHT)
    plan = plan_night(night, EVENING)
    given = ScheduledFault(plan.dusk_s, math.inf, "guide-camera-unplugged")
    drawn = [draw_trial(5, number, night, plan, 5, [given]) for number in range(1, 30)]
    assert drawn == [draw_trial(5, number, night, plan, 5, [given]) for number in range(1, 30)]
    assert len({trial.seed for trial in drawn}) == len(drawn)
    assert {len(trial.faults) for trial in drawn} == {2, 3, 4, 5, 6}
    assert all(given in trial.faults for trial in drawn)
    for fault in (fault for trial in drawn for fault in trial.faults):
        assert plan.prepare_from_s - 1.0 <= fault.from_utc_s <= plan.dawn_s
    assert draw_trial(6, 1, night, plan, 5).seed != drawn[0].seed
    assert draw_trial(5, 1, night, plan, 0).faults == ()


def test_one_night_in_five_is_shuffled_and_the_one_without_faults_is_not():
    night = load_night(FIRST_NIGHT)
    plan = plan_night(night, EVENING)
    drawn = [draw_trial(5, number, night, plan, 0).shuffle for number in range(1000)]
    assert drawn == [draw_trial(5, number, night, plan, 0).shuffle for number in range(1000)]
    assert drawn[0] == 0
    shuffled = [seed for seed in drawn if seed]
    # A fifth of a thousand, within four standard deviations of the binomial distribution (12.6).
    assert 150 <= len(shuffled) <= 250
    assert len(set(shuffled)) == len(shuffled)


def test_a_night_that_breaks_in_its_own_order_only_keeps_it_while_it_is_shrunk(tmp_path: Path):
    """Some orders of equal instants break it, the plain one does not."""

    class OrderBound(Crew):
        def run(
            self, trials: Iterable[Trial], undisturbed: Gaps | None = None
        ) -> Iterator[TrialResult]:
            for trial in trials:
                names = {fault.name for fault in trial.faults}
                breaks = trial.shuffle == 7 and "camera-unplugged" in names
                wrong = (Broken(8, "not closed"),) if breaks or "rain" in names else ()
                yield TrialResult(trial, "d", 1.0, 1.0, 1.0, 1, wrong, Gaps(), "dawn")

    crew = OrderBound(Briefing(tmp_path, EVENING, tmp_path, 60.0), 1)
    faults = (
        ScheduledFault(0.0, 8.0, "camera-unplugged"), ScheduledFault(5.0, 8.0, "mount-stalls"),
    )  # fmt: skip
    rain = (*faults, ScheduledFault(9.0, 12.0, "rain"))
    trials = [Trial(1, 1, faults, shuffle=7), Trial(2, 2, rain, shuffle=9)]
    own, plain = Drill(crew, lambda _: None).run(Trial(0, 0, ()), trials).shrunk
    assert (own.shuffle, [f.name for f in own.faults]) == (7, ["camera-unplugged"])
    assert (plain.shuffle, [f.name for f in plain.faults]) == (0, ["rain"])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--nights", "0"), "whole number from 1"),
        (("--faults", "many"), "whole number from 0"),
        (("--scenario", "nowhere.yaml"), "nowhere.yaml"),
    ],
)
def test_wrong_words_are_refused(words: tuple[str, str], says: str):
    done = midwatch("drill", FIRST_NIGHT, *words)
    assert done.returncode == 2
    assert says in done.stderr
