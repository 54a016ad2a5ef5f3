"""The promises about the bus: what devices did in silence, and whom they obeyed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from midwatch.journal.facts import HostAccount, LeaseUnheard, NightBegan, NightEnded, Silence
from midwatch.journal.promises.night_context import NightContext
from midwatch.journal.store import Event, facts_of

__all__ = ["foreign_commanders", "silence_findings"]

# A living daemon journals at least a sample of its curves this often: a longer gap is its death.
_ALIVE_S = 420.0
# Devices that must be brought to rest in a silence; others (a camera warms for half an hour) only
# have to begin.
_TO_REST = ("mount", "roof")


def accounts_of(events: Sequence[Event]) -> list[HostAccount]:
    """Return the account of each device's host, over all the lives of its driver.

    The daemon and its page, which have no lease, are no hosts.
    """
    return [_joined(list(accounts.values())) for accounts in _lives(events).values()]


def _lives(events: Sequence[Event]) -> dict[str, dict[float, HostAccount]]:
    """Return the latest account of each life of each device's driver, by when the life began."""
    lives: dict[str, dict[float, HostAccount]] = {}
    for _, fact in facts_of(events, HostAccount):
        if fact.lease_s > 0.0 or not fact.told:
            lives.setdefault(fact.device, {})[fact.since_utc_s] = fact
    return lives


def _joined(accounts: Sequence[HostAccount]) -> HostAccount:
    """Return the accounts of a driver's lives as one; a silence ends with the life it came in."""
    given = sorted((one for one in accounts if one.told), key=lambda one: one.since_utc_s)
    if len(given) <= 1:
        return (given or accounts)[-1]
    followed = itertools.zip_longest(given, [later.since_utc_s for later in given[1:]])
    counts: dict[str, int] = {}
    for account in given:
        for name, number in account.counts.items():
            counts[name] = counts.get(name, 0) + number
    update = {
        "since_utc_s": min(account.since_utc_s for account in given),
        "counts": counts,
        "holders": tuple(holder for account in given for holder in account.holders),
        "senders": tuple(sender for account in given for sender in account.senders),
        "silences": tuple(
            silence if silence.over_utc_s is not None else silence._replace(over_utc_s=ended_s)
            for account, ended_s in followed
            for silence in account.silences
        ),
    }
    return given[-1].model_copy(update=update)


def silence_findings(
    events: Sequence[Event], context: NightContext
) -> tuple[str, list[str]] | None:
    """Say what devices did while the daemon or the bus was silent.

    The evidence is what the hosts themselves report once they are received again. Where the journal
    shows that the daemon was dead for longer than a lease, or could not send its own, every
    host that ran then must report that silence: without its report the promise counts as broken.

    Returns:
        What was looked at, and what was wrong; None where there was no silence.
    """
    accounts, lives = accounts_of(events), _lives(events)
    gaps = list(_gaps(events, context.late_s))
    looked = excused = 0
    wrong: list[str] = []
    for account in accounts:
        for silence in account.silences:
            looked += 1
            wrong += _judge(account, silence, context)
        for gap in gaps:
            if gap.length_s <= account.lease_s + gap.unsure_s:
                continue
            if account.told and not any(one.through(gap) for one in _spans(lives[account.device])):
                excused += 1  # no life of its driver went through all of that: it cannot know
            elif not any(_covers(silence, gap) for silence in account.silences):
                wrong.append(
                    f"the {account.device} reports nothing of the {gap.length_s:.0f} s in which "
                    f"{gap.what}"
                )
    named = any(began.holder for _, began in facts_of(events, NightBegan))
    if gaps and named and not accounts and facts_of(events, NightEnded):
        wrong.append(f"the daemon was silent {len(gaps)} times, and no device gave an account")
    if not looked and not wrong:
        return None
    younger = f"; {excused} times a driver was started again in the silence" if excused else ""
    return f"{looked} silences of {len(accounts)} devices looked at{younger}", wrong


@dataclass(frozen=True)
class _Gap:
    """A time in which no device can have received the daemon's lease.

    Attributes:
        from_s, until_s: POSIX seconds.
        unsure_s: by so much it may have been shorter.
        what: had happened.
    """

    from_s: float
    until_s: float
    unsure_s: float
    what: str

    @property
    def length_s(self) -> float:
        return self.until_s - self.from_s


class _Span(NamedTuple):
    """From when to when a driver lived, POSIX seconds."""

    from_s: float
    until_s: float

    def through(self, gap: _Gap) -> bool:
        return self.from_s <= gap.from_s and self.until_s >= gap.until_s


def _spans(lives: Collection[float]) -> list[_Span]:
    """Return the lives of a driver by when each began: one ends where the next begins."""
    begun = sorted(lives)
    return [_Span(*span) for span in zip(begun, [*begun[1:], math.inf], strict=True)]


def _gaps(events: Sequence[Event], late_s: float) -> Iterator[_Gap]:
    for died_s, back_s in _deaths(events):
        yield _Gap(died_s, back_s, _ALIVE_S, "the daemon was dead")
    for _, unheard in facts_of(events, LeaseUnheard):
        what = "the bus was away"
        yield _Gap(unheard.from_utc_s, unheard.until_utc_s, late_s, what)


def _deaths(events: Sequence[Event]) -> Iterator[tuple[float, float]]:
    """Yield the last sign of each life of the daemon that did not end the night, and the next."""
    before: Event | None = None
    ended = True
    for event in events:
        if isinstance(event.fact, NightBegan):
            if not ended and before is not None:
                yield before.at_utc_s, event.at_utc_s
            ended = False
        elif isinstance(event.fact, NightEnded):
            ended = True
        before = event


def _covers(silence: Silence, gap: _Gap) -> bool:
    over_s = gap.until_s if silence.over_utc_s is None else silence.over_utc_s
    overlaps = silence.heard_utc_s < gap.until_s and over_s > gap.from_s
    # The clock of the daemon's machine may have been set in between; lengths stay.
    as_long = over_s - silence.heard_utc_s >= gap.length_s - gap.unsure_s
    return overlaps or as_long


def _judge(account: HostAccount, silence: Silence, context: NightContext) -> Iterator[str]:
    noticed_after_s = silence.noticed_utc_s - silence.heard_utc_s
    if noticed_after_s > account.lease_s + context.late_s:
        yield (
            f"the {account.device} noticed a silence after {noticed_after_s:.0f} s, its lease is "
            f"{account.lease_s:g} s"
        )
    if account.device not in _TO_REST:
        return
    limit_s = silence.noticed_utc_s + context.close_within_s
    if silence.at_rest_utc_s is not None:
        if silence.at_rest_utc_s > limit_s + context.late_s:
            took_s = silence.at_rest_utc_s - silence.noticed_utc_s
            yield f"the {account.device} came to rest only {took_s:.0f} s after its lease had ended"
    elif silence.over_utc_s is None or silence.over_utc_s > limit_s:
        yield f"the {account.device} did not come to rest in a silence"


def foreign_commanders(events: Sequence[Event]) -> tuple[bool | None, str]:
    """Say whether devices did anything under another lease than those of tonight's daemons.

    Accounts are the broker's business, and who has one may ask a device to stop or to make itself
    safe. Everything else is done under a lease only; the hosts report under which.
    """
    # A life that takes over from a dead one goes on under its lease.
    ours = {began.holder for _, began in facts_of(events, NightBegan) if began.holder}
    accounts = accounts_of(events)
    mute = [account.device for account in accounts if not account.told]
    if not ours or not accounts or mute:
        return None, f"no account of whom it obeyed by {', '.join(mute) or 'any device'}"
    began_s = events[0].at_utc_s
    foreign = [
        f"the {account.device} obeyed {holder}"
        for account in accounts
        for holder, since_utc_s in account.holders
        if holder not in ours and since_utc_s >= began_s
    ]
    turned_away = sum(
        n for account in accounts for name, n in account.counts.items() if name != "duplicate"
    )
    looked = (
        f"{len(accounts)} devices obeyed {len(ours)} leases of this night and turned "
        f"{turned_away} messages away"
    )
    return not foreign, "; wrong: ".join([looked, *foreign[:4]])
