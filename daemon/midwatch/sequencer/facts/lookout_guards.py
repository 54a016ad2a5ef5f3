"""Keeps the guards of all standing orders up to date from what the lookouts see."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar, Protocol

from midwatch.errors import InputError
from midwatch.journal.facts import LookoutChanged
from midwatch.orders.models import FocusSettings, StandingOrder
from midwatch.sequencer.decision import DutyArgs, StandingDue, WaitArgs, args_needed
from midwatch.sequencer.facts.guards import Guard
from midwatch.sequencer.facts.lookout import Lookout, Reading, View


@dataclass
class _Post:
    order: StandingOrder
    args: DutyArgs
    lookout: Lookout
    guard: Guard
    reading: Reading
    # Done since it tripped; a duty is not repeated before the lookout has cleared in between.
    spent: bool = False

    @property
    def urgency(self) -> float:
        """Level over trip where levels rise from zero to it; 1 where that says nothing."""
        level, trip = self.reading.level, self.guard.trip
        if level is None or trip <= 0.0 or self.guard.clear > trip:
            return 1.0
        return max(0.0, level / trip)


class Takes(Protocol):
    """What matters here of a duty: the model of its arguments."""

    takes: ClassVar[type[DutyArgs]]


class LookoutGuards:
    """All standing orders with their lookouts and guards.

    Args:
        orders: the standing orders.
        lookouts: those that are installed.
        duties: likewise.
        before: a desk that this one takes over from; orders that stay keep their guards.

    Raises:
        InputError: an order names a lookout or a duty that is not installed, or a duty that
            needs more than a standing order says.
    """

    def __init__(
        self,
        orders: tuple[StandingOrder, ...],
        lookouts: Mapping[str, Lookout],
        duties: Mapping[str, Takes],
        before: LookoutGuards | None = None,
    ) -> None:
        self._posts: list[_Post] = []
        kept = {} if before is None else {post.order: post for post in before._posts}
        for order in orders:
            if order in kept:
                self._posts.append(kept[order])
                continue
            lookout = lookouts.get(order.when)
            if lookout is None:
                known = ", ".join(sorted(lookouts)) or "none"
                raise InputError(f"no lookout is called {order.when!r}; installed: {known}")
            trip = lookout.trip if order.trip is None else order.trip
            clear = order.clear
            if clear is None:
                # Keep the lookout's own distance between tripping and clearing.
                clear = trip * (lookout.clear / lookout.trip) if lookout.trip else lookout.clear
            guard = Guard(trip, clear, order.for_s, lookout.missing)
            args = _args(order, duties)
            self._posts.append(_Post(order, args, lookout, guard, Reading(None, "not read yet")))

    def update(self, view: View, note: Callable[[LookoutChanged], object]) -> None:
        """Read every lookout; changes of status are noted."""
        for post in self._posts:
            post.reading = post.lookout.read(view)
            changed = post.guard.update(post.reading, view.now_s)
            if post.guard.status != "tripped":
                post.spent = False
            if changed:
                note(
                    LookoutChanged(
                        lookout=post.order.when,
                        status=post.guard.status,
                        level=post.reading.level,
                        message=post.reading.message,
                    )
                )

    def done(self, duty: str) -> None:
        """Take in that a duty was done: orders that asked for it rest until they trip again."""
        for post in self._posts:
            if post.order.do == duty and post.guard.status == "tripped":
                post.spent = True

    def pressing(self, duty: str) -> tuple[float, str, str]:
        """Return the most urgent order of a duty that is not due yet: urgency, lookout, message."""
        ahead = [
            (post.urgency, post.order.when, f"{post.order.when}: {post.reading.message}")
            for post in self._posts
            if post.order.do == duty and post.guard.status == "clear"
        ]
        return max(ahead, key=lambda found: found[0], default=(0.0, "", ""))

    def due(self) -> tuple[StandingDue, ...]:
        """Return the standing orders whose lookouts have tripped, in declared order."""
        return tuple(
            StandingDue(
                post.order.when,
                post.order.do,
                post.order.at == "at_once",
                f"{post.order.when}: {post.reading.message}",
                post.urgency,
                post.args,
            )
            for post in self._posts
            if post.guard.status == "tripped" and not post.spent
        )


def _args(order: StandingOrder, duties: Mapping[str, Takes]) -> DutyArgs:
    """Return what the duty of a standing order is given."""
    if order.do == WaitArgs.duty:
        return WaitArgs()
    duty = duties.get(order.do)
    if duty is None:
        known = ", ".join(sorted((*duties, WaitArgs.duty)))
        raise InputError(f"no duty is called {order.do!r}; installed: {known}")
    if needed := args_needed(duty.takes):
        raise InputError(
            f"a standing order cannot do {order.do}: that needs {', '.join(needed)}, which the "
            "order does not say; give it a default in the duty's model, or name another duty"
        )
    return duty.takes.for_standing_order(order.when)


def with_rig_defaults(
    orders: tuple[StandingOrder, ...], focus: FocusSettings
) -> tuple[StandingOrder, ...]:
    """Add the rig's own refocus rules to the declared orders; a declared one goes first."""
    declared = {(order.when, order.do) for order in orders}
    rules = (
        ("defocus", focus.defocus_percent),
        ("temperature", focus.temperature_c),
        ("focus_age", focus.every_min),
        ("hfr", focus.hfr_percent),
    )
    extra = tuple(
        StandingOrder(when=when, trip=trip, do="focus")
        for when, trip in rules
        if trip is not None and (when, "focus") not in declared
    )
    return orders + extra
