"""Every task of a night is killed in turn: it is started again, or the night ends safely.

Never does a night go on as if nothing had been, or say afterwards that all was well.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import structlog

from midwatch.bus import MemoryBroker, Topics
from midwatch.journal.facts import (
    DutyEnded,
    FaultBegan,
    FaultEnded,
    NightEnded,
    OperatorSpoke,
    RemedyTried,
    Sample,
)
from midwatch.journal.promises import TASK_DIED
from midwatch.journal.store import Event, facts_of, read_events
from midwatch.sequencer.watches.task_watch import RESTART_TASK, TaskLostError
from support.by_hand import (
    FIRST_LIGHT_S,
    Hand,
    Seen,
    at_rest,
    kept,
    lights,
    night,
    write,
)
from support.task_kills import MishapError, kill, kill_for_good, kinds, started

# What goes on beside the work of the daemon, by the kinds of its names, and how it is found.
WATCHES = {
    "night watch": "night watch",
    "remedies": "remedies",
    "orders by hand": "orders by hand",
    "night bulletin": "night bulletin",
    "silence of the rig": "silence of the rig",
    "devices of the rig": "devices of the rig",
    "answers to HOLDER": "answers to midwatch",
    "lease of HOLDER": "lease of midwatch-.*",
}
# Without these no device can be seen or commanded; without the bulletin the night can be.
VITAL = ("devices of the rig", "answers to HOLDER", "lease of HOLDER")
DISPENSABLE = ("night bulletin",)
# What a device's host does all night; the same for all devices, but for the limits of the mount.
SERVICES = {
    f"DEVICE {service}": f"mount {service}"
    for service in ("account", "commands", "heartbeat", "lease", "limits", "news", "silence")
}
# What drivers run by themselves. They are one kind to their hosts, whatever each is for.
SIDE_TASKS = {
    "DEVICE watch DEVICE truth": "focuser watch .* truth",
    "DEVICE watch DEVICE awake": "focuser watch .* awake",
    "DEVICE DEVICE truth": "mount mount truth",
    "DEVICE DEVICE cover": "flat_panel flat_panel cover",
    "DEVICE DEVICE readings": "weather weather readings",
    "DEVICE DEVICE reports": "guider guider reports",
}
# Pieces of work for whose end somebody waits: what they die of fails the duty.
PIECES = {
    "duty DUTY": "duty expose",
    "shutter timer": "shutter timer",
    "DEVICE": "camera",
    "DEVICE COMMAND REQUEST": "camera expose .*",
    "slew": "slew",
    "park": "park",
    "death of the mount's driver": "death of the mount's driver",
}
# The engine itself: without it there is no night.
ENGINE = {"daemon": "daemon", "stirred": "stirred"}
# Between two deaths in one night: all of them are ten minutes before its end, when what was
# started again counts as well.
APART_S = 80.0
# Whoever rehearses, and what ends with its part: `host of` is owned by its services, `start of`
# and `kill of the daemon` wait for an event and do nothing.
STAGE = {"main", "faults", "guest", "kill of the daemon", "host of DEVICE", "start of DEVICE"}


@pytest.fixture(autouse=True)
def _unseen_logs():
    """Errors are rendered for nobody here."""
    with structlog.testing.capture_logs() as logs:
        yield logs


@cache
def undisturbed() -> tuple[int, int]:
    """Return the accepted frames of both targets in a night in which nothing dies."""
    with TemporaryDirectory() as folder:
        seen = night(Path(folder) / "night", write(Path(folder) / "orders"))
        return lights(seen, "IC 405"), lights(seen, "M 101")


def faults(events: list[Event], name: str = "") -> list[tuple[float, FaultBegan]]:
    """Return the faults of tasks of the daemon that died."""
    return [
        (at_s, fact)
        for at_s, fact in facts_of(events, FaultBegan)
        if fact.fault == TASK_DIED and fact.device == "daemon" and name in fact.message
    ]


def remedies(events: list[Event], fault_id: str) -> list[tuple[str, str]]:
    tried = facts_of(events, RemedyTried)
    return [(fact.remedy, fact.outcome) for _, fact in tried if fact.fault_id == fault_id]


def ended(events: list[Event], fault_id: str) -> bool:
    return any(fact.fault_id == fault_id for _, fact in facts_of(events, FaultEnded))


def with_deaths(folder: Path, names: Sequence[str], at_s: float = FIRST_LIGHT_S) -> Seen:
    """Rehearse a night in which tasks die one after the other, and a person looks in afterwards."""

    async def act(hand: Hand) -> None:
        for number, name in enumerate(names):
            await hand.until(at_s + number * APART_S)
            assert await kill(name), f"no task {name} ever waited"
        await hand.until(at_s + (len(names) - 1) * APART_S + 120.0)
        await hand.order("pause", why="is anybody there?")
        await hand.order("resume", why="yes")

    seen = night(folder / "night", write(folder / "orders"), act)
    assert seen.hand is not None
    assert seen.hand.taken == ["pause", "resume"]
    at_rest(seen)
    done = (lights(seen, "IC 405"), lights(seen, "M 101"))
    assert done == undisturbed(), (done, undisturbed())
    return seen


def test_the_tasks_that_are_killed_here_are_those_of_a_night(tmp_path):
    async def act(hand: Hand) -> None:
        await hand.order("pause")
        await hand.order("resume")

    with started() as tasks:
        night(tmp_path / "night", write(tmp_path / "orders"), act)
    covered = {*WATCHES, *SERVICES, *SIDE_TASKS, *PIECES, *ENGINE, *STAGE}
    found = kinds(tasks)
    assert found - covered == set(), "a task was started that no test here kills"
    assert covered - found == set(), "a task is killed here that no night starts"


def test_each_watch_that_dies_once_is_started_again_and_works(tmp_path):
    seen = with_deaths(tmp_path, tuple(WATCHES.values()))
    deaths = faults(seen.events)
    assert len(deaths) == len(WATCHES)
    for (_, fault), name in zip(deaths, WATCHES.values(), strict=True):
        assert re.search(name, fault.message)
        assert "MishapError: a mishap" in fault.message
        assert remedies(seen.events, fault.fault_id) == [(RESTART_TASK, "done")]
        assert ended(seen.events, fault.fault_id)
    kept(seen)
    summary = [f for f in seen.outcome.summary.faults if f.kind == TASK_DIED]
    assert [(f.device, f.ended is not None) for f in summary] == [("daemon", True)] * len(WATCHES)
    began_s = faults(seen.events, "night watch")[0][0]
    assert any(at_s > began_s + 60.0 for at_s, _ in facts_of(seen.events, Sample))


@pytest.mark.parametrize("kind", [k for k in WATCHES if k not in (*VITAL, *DISPENSABLE)])
def test_a_watch_that_dies_for_good_has_the_night_closed_and_not_praised(tmp_path, kind):
    deaths = []

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S)
        deaths.append(await kill_for_good(WATCHES[kind]))

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    assert deaths == [6]
    ((_, fault),) = faults(seen.events)
    tried = remedies(seen.events, fault.fault_id)
    assert tried == [(RESTART_TASK, "failed")] * 5 + [("close", "done")]
    assert not ended(seen.events, fault.fault_id)
    at_rest(seen)
    closed = [s for s in seen.facts(OperatorSpoke) if (s.who, s.command) == ("midwatch", "close")]
    assert "go on blind" in closed[0].why
    not_praised(seen)
    assert lights(seen, "IC 405") < undisturbed()[0]


def not_praised(seen: Seen) -> None:
    """Say that nobody claims that all went well, though nothing bad was seen."""
    by_number = {p.number: p for p in seen.outcome.summary.promises}
    assert by_number[7].ok is False
    assert "has died" in by_number[7].detail
    for number in (1, 5, 8, 10):
        assert by_number[number].ok is None
        assert "no longer seen" in by_number[number].detail
    assert by_number[4].ok is True  # files are there or not, whoever watches
    assert not seen.outcome.promises_kept


def test_what_tells_people_of_the_night_is_started_again_as_often_as_it_dies(tmp_path):
    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S)
        for _ in range(9):
            assert await kill("night bulletin")
            await hand.clock.sleep(61.0)

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    at_rest(seen)
    kept(seen)
    ((_, fault),) = faults(seen.events)
    assert remedies(seen.events, fault.fault_id)[:8] == [(RESTART_TASK, "failed")] * 8
    assert (lights(seen, "IC 405"), lights(seen, "M 101")) == undisturbed()


class _Left:
    """A night that the daemon leaves by an error, and what its devices say afterwards."""

    def __init__(self, folder: Path, act: Any, error: type[Exception]) -> None:
        self.broker: MemoryBroker | None = None
        self.topics: Topics | None = None

        async def guest(hand: Hand) -> None:
            self.broker, self.topics = hand.broker, hand.topics
            await act(hand)

        with pytest.raises(error) as caught:
            night(folder / "night", write(folder / "orders"), guest)
        self.error = caught.value
        self.events = read_events(folder / "night" / "journal.sqlite")

    def state(self, device: str) -> dict[str, Any]:
        assert self.broker is not None
        assert self.topics is not None
        said = self.broker.retained(self.topics.state(device))
        assert said is not None
        state: dict[str, Any] = json.loads(said)["state"]
        return state

    def safe(self) -> None:
        """Say that no device was left to itself under way."""
        assert self.state("mount")["parked"]
        assert not self.state("mount")["tracking"]
        assert self.state("roof")["position"] == "closed"
        camera = self.state("camera")
        assert camera["phase"] == "idle"
        assert not camera["cooler_on"] or camera["setpoint_c"] > -10.0
        # A night without end is taken up by the next daemon: none says that it went well.
        assert not facts_of(self.events, NightEnded)


@pytest.mark.parametrize("kind", VITAL)
def test_without_a_way_to_the_devices_the_daemon_leaves_them_to_their_hosts(tmp_path, kind):
    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S)
        await kill_for_good(WATCHES[kind])

    left = _Left(tmp_path, act, TaskLostError)
    assert "the devices make themselves safe" in str(left.error)
    ((_, fault),) = faults(left.events)
    tried = remedies(left.events, fault.fault_id)
    assert tried == [(RESTART_TASK, "failed")] * 5 + [("leave", "done")]
    left.safe()


@pytest.mark.parametrize("kind", ENGINE)
def test_an_engine_that_dies_leaves_the_devices_to_their_hosts(tmp_path, kind):
    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 30.0)
        await kill(ENGINE[kind])

    _Left(tmp_path, act, MishapError).safe()


@pytest.mark.parametrize("kind", SERVICES)
def test_a_service_of_a_device_host_that_dies_has_the_driver_started_again(tmp_path, kind):
    seen = with_deaths(tmp_path, [SERVICES[kind]])
    link = [f for _, f in facts_of(seen.events, FaultBegan) if f.device == "mount" and not f.duty]
    assert link
    assert ("restart_driver", "done") in remedies(seen.events, link[0].fault_id)
    assert all(ended(seen.events, fault.fault_id) for fault in link)
    kept(seen)


@pytest.mark.parametrize("number", [0, 1])
def test_a_side_task_that_dies_has_the_driver_started_again_between_two_duties(tmp_path, number):
    names = tuple(SIDE_TASKS.values())[number::2]
    seen = with_deaths(tmp_path, names)
    died = [f for _, f in facts_of(seen.events, FaultBegan) if f.fault == TASK_DIED]
    assert [fault.device for fault in died] == [name.split(" ")[0] for name in names]
    for fault in died:
        assert remedies(seen.events, fault.fault_id) == [("restart_driver", "done")]
        assert ended(seen.events, fault.fault_id)
    kept(seen)


@pytest.mark.parametrize("kind", PIECES)
def test_a_piece_of_work_that_dies_fails_its_duty_which_is_tried_again(tmp_path, kind):
    # Slews come before the first light, and parking comes at the end.
    at_s = {"slew": -300.0}.get(kind, 0.0)
    seen = with_deaths(tmp_path, [PIECES[kind]], FIRST_LIGHT_S + at_s)
    failed = [fact for _, fact in facts_of(seen.events, DutyEnded) if fact.outcome == "failed"]
    assert failed
    opened = [fact for _, fact in facts_of(seen.events, FaultBegan)]
    assert opened
    assert all(ended(seen.events, fault.fault_id) for fault in opened)
    kept(seen)


def test_the_same_death_leaves_the_same_journal(tmp_path):
    digests = set()
    for number in range(2):
        seen = with_deaths(tmp_path / str(number), ["night watch"])
        digests.add(tuple(event.digest for event in seen.events))
    assert len(digests) == 1
