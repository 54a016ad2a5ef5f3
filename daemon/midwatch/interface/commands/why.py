"""midwatch why: the decision in force at a time, and what was ruled out."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from midwatch.clock import iso_utc
from midwatch.errors import InputError, MidwatchError
from midwatch.instants import in_zone
from midwatch.interface.console import duty_text, hours_text, say, say_json, table
from midwatch.journal.facts import Activity, DecisionMade, DutyBegan, DutyEnded, NightEnded
from midwatch.journal.record import LABELS
from midwatch.journal.store import Event
from midwatch.runtime.files import find_running
from midwatch.runtime.folder import KeptNight, find_night

_NOON = 12
# Who asks for this minute means now.
_SLACK_S = 60.0


@dataclass(frozen=True)
class Answer:
    """What held at an instant; events are None where there were none."""

    at_utc_s: float
    decision: tuple[float, DecisionMade] | None
    following: tuple[float, DecisionMade] | None
    activity: tuple[float, Activity] | None
    duty: tuple[float, DutyBegan] | None
    ended: tuple[float, NightEnded] | None


def execute(args: argparse.Namespace) -> int:
    """Answer for one instant of one night."""
    night = find_night(args.out, args.night)
    zone: tzinfo = UTC if args.utc else ZoneInfo(night.surroundings(args.orders).timezone)
    at = instant_in_night(date.fromisoformat(night.began.evening), args.time, zone)
    answer = answer_at(night.events, at, _present_s(args.out))
    if args.json:
        say_json(_content(night, answer))
    else:
        say(*_lines(night, answer, zone))
    return 0


def instant_in_night(evening: date, time_of_day: tuple[int, int, int], zone: tzinfo) -> datetime:
    """Return the instant of a time of day in the night of an evening, from noon to noon.

    Of a time that comes twice, when clocks go back, the first is meant.
    """
    hour, minute, second = time_of_day
    day = evening if hour >= _NOON else evening + timedelta(days=1)
    return datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=zone)


def _present_s(data_folder: Path) -> float | None:
    """Return what the clock of the night that runs here shows; None where none does."""
    try:
        return find_running(data_folder, None).clock().unix_s()
    except MidwatchError:
        return None


def answer_at(events: Sequence[Event], at: datetime, present_s: float | None = None) -> Answer:
    """Find what held at an instant; a refusal shows times in the zone of that instant.

    Args:
        events: of the night.
        at: the instant.
        present_s: what the clock of the night shows; None where no night is running.

    Raises:
        InputError: the night had not begun by then, or has not come so far.
    """
    at_utc_s = at.timestamp()
    if events[0].at_utc_s > at_utc_s:
        first = datetime.fromtimestamp(events[0].at_utc_s, at.tzinfo)
        raise InputError(
            f"at {at:%H:%M %Z on %Y-%m-%d} nothing was decided yet; the journal of this night "
            f"begins at {first:%H:%M %Z}"
        )
    last = events[-1]
    reached_s = max(last.at_utc_s, present_s or 0.0)
    if not isinstance(last.fact, NightEnded) and at_utc_s > reached_s + _SLACK_S:
        until = datetime.fromtimestamp(reached_s, at.tzinfo)
        what = "this night has come to" if present_s else "the journal of this night reaches to"
        raise InputError(
            f"at {at:%H:%M %Z on %Y-%m-%d} nothing is decided yet: {what} {until:%H:%M:%S}; what "
            "is planned says midwatch plan, what is being done says midwatch status"
        )
    decision = following = activity = duty = ended = None
    for event in events:
        if event.at_utc_s > at_utc_s:
            if isinstance(event.fact, DecisionMade):
                following = (event.at_utc_s, event.fact)
                break
            continue
        fact = event.fact
        if isinstance(fact, DecisionMade):
            decision = (event.at_utc_s, fact)
        elif isinstance(fact, Activity):
            activity = (event.at_utc_s, fact)
        elif isinstance(fact, DutyBegan):
            duty = (event.at_utc_s, fact)
        elif isinstance(fact, DutyEnded):
            duty = None
        elif isinstance(fact, NightEnded):
            ended = (event.at_utc_s, fact)
    return Answer(at_utc_s, decision, following, activity, duty, ended)


def _content(night: KeptNight, answer: Answer) -> dict[str, Any]:
    content: dict[str, Any] = {"night": night.name, "at": iso_utc(answer.at_utc_s)}
    content["decision"] = content["activity"] = content["duty"] = content["next"] = None
    if answer.decision is not None:
        since, made = answer.decision
        content["decision"] = {
            "since": iso_utc(since),
            "duty": made.duty,
            "args": made.args,
            "rule": made.rule,
            "reason": made.reason,
            "ruled_out": [{"option": option, "reason": why} for option, why in made.ruled_out],
        }
    if answer.activity is not None:
        since, activity = answer.activity
        content["activity"] = {"since": iso_utc(since), **activity.model_dump()}
    if answer.duty is not None:
        since, duty = answer.duty
        content["duty"] = {"since": iso_utc(since), **duty.model_dump()}
    if answer.following is not None:
        at, made = answer.following
        content["next"] = {"at": iso_utc(at), "duty": made.duty, "reason": made.reason}
    content["ended"] = None if answer.ended is None else iso_utc(answer.ended[0])
    return content


def _lines(night: KeptNight, answer: Answer, zone: tzinfo) -> list[str]:
    def clock(at: float) -> str:
        return datetime.fromtimestamp(round(at), zone).strftime("%H:%M:%S")

    def since(at: float) -> str:
        return f"since {clock(at)}, {hours_text(answer.at_utc_s - at)}"

    zone_name = datetime.fromtimestamp(answer.at_utc_s, zone).tzname()
    title = f"{clock(answer.at_utc_s)} {zone_name}, night of {night.name}, {night.began.site}"
    rows: list[list[str]] = []
    if answer.decision is None:
        rows.append(["decided", "nothing yet"])
    else:
        at, made = answer.decision
        rows.append(["decided", duty_text(made.duty, made.args), since(at)])
        rows.append(["because", f"{made.reason} [rule: {made.rule}]"])
    if answer.activity is not None and answer.ended is None:
        at, activity = answer.activity
        detail = f" ({activity.detail})" if activity.detail else ""
        rows.append(["doing", f"{LABELS[activity.cause]}{detail}", since(at)])
    if answer.decision is not None:
        rows += [["ruled out", f"{what}: {why}"] for what, why in answer.decision[1].ruled_out]
    if answer.following is not None:
        at, made = answer.following
        rows.append(["then", f"{clock(at)} {duty_text(made.duty, made.args)}: {made.reason}"])
    if answer.ended is not None:
        rows.append(["ended", f"the night ended at {clock(answer.ended[0])}"])
    lines = table([[row[0], ", ".join(row[1:])] for row in rows])
    return [title, *(in_zone(line, zone) for line in lines)]
