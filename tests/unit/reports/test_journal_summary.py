import json
import shutil
import subprocess

import pytest
from jsonschema import Draft202012Validator

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import NightRecord, account
from midwatch.reports import (
    Reach,
    json_schema,
    known_reach,
    take_accounts,
    to_json,
    utc_text,
    write_outputs,
)
from midwatch.reports.summary import summarise, usable_seconds
from support.journal_story import CONTEXT, as_events, began, story_night


@pytest.fixture(scope="module")
def content():
    night = story_night()
    return json.loads(to_json(take_accounts(night.events, night.folder, CONTEXT).summary))


def test_times_are_iso_8601_utc():
    assert utc_text(0.0) == "1970-01-01T00:00:00Z"
    assert utc_text(1804704237.1239) == "2027-03-10T18:43:57.124Z"


def test_the_summary_is_valid_under_its_own_schema(content):
    schema = json_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    assert list(validator.iter_errors(content)) == []
    assert list(validator.iter_errors(content | {"decisions": "many"})) != []
    assert list(validator.iter_errors(content | {"surplus": 1})) != []


def test_it_holds_what_is_promised_of_it(content):
    assert {
        "schema", "night", "site", "rig", "seed", "dusk", "dawn", "usable_s", "ledger", "targets",
        "frames", "focus_runs", "flips", "faults", "decisions", "promises", "yield",
    } <= set(content)  # fmt: skip
    assert (content["schema"], content["seed"], content["night"]) == (1, 1, "2027-03-10")
    assert (len(content["focus_runs"]), len(content["flips"]), content["restarts"]) == (5, 1, 1)


def test_its_parts_agree_with_each_other(content):
    took_up = story_night().events[0].fact
    assert sum(content["ledger"].values()) == took_up.dawn_utc_s - took_up.dusk_utc_s
    lights = [frame for frame in content["frames"] if frame["frame"] == "light"]
    for target in content["targets"]:
        own = [frame for frame in lights if frame["target"] == target["name"]]
        for grade in ("accepted", "rejected", "doubtful"):
            count = sum(frame["grade"] == grade for frame in own)
            assert target[grade] == count == sum(order[grade] for order in target["orders"])
        kept = sum(frame["exposure_s"] for frame in own if frame["grade"] == "accepted")
        assert target["integration_s"] == pytest.approx(kept)
        assert target["wanted"] == 48
    share = content["yield"]
    assert share["open_shutter_s"] == content["ledger"]["open_shutter"]
    assert share["fraction"] == pytest.approx(share["open_shutter_s"] / share["usable_s"], abs=1e-6)
    (fault,) = content["faults"]
    assert fault["lost_s"] == content["ledger"]["fault"] == 95
    assert [remedy["outcome"] for remedy in fault["remedies"]] == ["failed", "done"]


def test_the_yield_tells_what_perfect_knowledge_could_have_had(content, tmp_path):
    assert content["yield"]["bound_s"] is None  # a real night does not know what went wrong
    night = story_night()
    reach = Reach(had_s=20_000.0, bound_s=25_000.0)
    summary = take_accounts(night.events, night.folder, CONTEXT, measure=lambda *_: reach).summary
    used = json.loads(to_json(summary))["yield"]
    assert (used["had_s"], used["bound_s"], used["kept"]) == (20_000.0, 25_000.0, 0.8)
    assert used["clairvoyant"] == pytest.approx(25_000.0 / used["usable_s"], abs=1e-6)
    # What is written again from the journal keeps it, as long as it tells of the same events.
    file = tmp_path / "night.json"
    assert known_reach(file, summary.journal_digest) is None
    file.write_text(to_json(summary), encoding="utf-8")
    assert known_reach(file, summary.journal_digest) == reach
    assert known_reach(file, "of other events") is None
    file.write_text(json.dumps(content), encoding="utf-8")
    assert known_reach(file, content["journal_digest"]) is None


def test_the_text_is_the_same_each_time():
    night = story_night()
    texts = [to_json(take_accounts(night.events, night.folder, CONTEXT).summary) for _ in "ab"]
    assert texts[0] == texts[1]
    assert texts[0].endswith("}\n")


def usable(*facts: e.Fact) -> int:
    events = as_events((0.0, began(100.0, 200.0)), *((100.0 + n, f) for n, f in enumerate(facts)))
    return usable_seconds(NightRecord.from_events(events), account(events, 100.0, 200.0))


def plan(target: str, *windows: tuple[float, float]) -> e.TargetPlanned:
    return e.TargetPlanned(
        target=target, ra_deg=0, dec_deg=0, priority=1, wanted=(), windows_utc_s=windows,
        transit_utc_s=None,
    )  # fmt: skip


def test_usable_time_is_the_union_of_the_windows_inside_the_night():
    assert usable() == 0
    assert usable(plan("a", (50.0, 120.4)), plan("b", (110.0, 130.0), (190.0, 500.0))) == 40


def test_a_plan_made_again_takes_nothing_from_the_windows_before():
    assert usable(plan("a", (100.0, 150.0)), plan("a", (130.0, 150.0))) == 50


def test_unsafe_time_is_not_usable():
    facts = [plan("a", (100.0, 200.0)), e.Activity(cause="unsafe"), e.Activity(cause="paused")]
    assert usable(*facts) == 99


def test_a_second_lost_to_two_faults_is_charged_once():
    fault = e.FaultBegan(fault_id="a", device="mount", fault="silent", message="")
    events = as_events(
        (90.0, began(100.0, 200.0)),
        (110.0, fault),
        (110.0, e.Activity(cause="fault")),
        (120.0, fault.model_copy(update={"fault_id": "b"})),
        (130.0, e.FaultEnded(fault_id="a", how="")),
        (150.0, e.FaultEnded(fault_id="b", how="")),
        (150.0, e.Activity(cause="open_shutter")),
        (200.0, e.NightEnded(how="", parked=True, warm=True, closed=True)),
    )
    ledger = account(events, 100.0, 200.0)
    summary = summarise(events, NightRecord.from_events(events), ledger, [], "")
    assert [fault.lost_s for fault in summary.faults] == [20, 20]


def test_a_journal_without_a_night_is_refused(tmp_path):
    with pytest.raises(ValueError, match="no beginning"):
        write_outputs(tmp_path, as_events((1.0, e.Notice(message="x"))), CONTEXT)


def test_what_a_night_leaves_verifies_with_the_system_tool(tmp_path):
    """`sha256sum -c` of GNU coreutils reads the list and finds every file as listed."""
    night = story_night()
    shutil.copytree(night.folder, tmp_path, dirs_exist_ok=True)
    summary = write_outputs(tmp_path, night.events, CONTEXT, durable=False)
    run = subprocess.run(
        ["sha256sum", "-c", "--strict", "checksums.sha256"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    listed = {line.removesuffix(": OK") for line in run.stdout.splitlines()}
    filed = {frame.path for frame in summary.frames if frame.path}
    assert {"night.json", "report.html"} <= listed
    assert filed <= listed
    assert list(tmp_path.glob("*.partial")) == []
