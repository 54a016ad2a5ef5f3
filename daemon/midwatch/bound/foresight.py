"""The clairvoyant bound: the most light that orders, sky and faults leave to perfect knowledge.

A schedule of exposures is sought that is free to do whatever it likes, one second at a time, but

- exposes only inside a target's windows, on a side of the pier that the limits allow, and not
  behind trees, where these are known;
- takes exposures of the lengths ordered (and of those that the night itself took unguided);
- leaves between exposures the shortest gaps that this night or the one without faults has shown:
  reading out, dithering as often as ordered, changing target, flipping;
- takes no light where a fault or the weather leaves none (see ``lost_light``), and points again
  after a park;
- waits where a standing order says so, and obeys orders to close the night or take a target out.

No night can do better, since what it did is such a schedule. Focus runs, changes of filter and
first settling are left out: a plan that knows everything needs none of them in the dark. Guiding
takes no light away: while a night had to do without dithers, none are asked for.

The best schedule is found by dynamic programming backwards in time over whole exposures. That no
target counts for more than was ordered is a limit over the whole night, which is priced instead
(Lagrangian relaxation; Fisher, Management Science 27, 1981, from memory): every price between 0
and 1 gives a bound, and the lowest found is taken.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from midwatch.bound.gaps import Gaps, counted_s, gaps_of, lights_of, undithered, wanted_s
from midwatch.bound.lost_light import Dark, Rules, clouded, dark_spans, over_limits, waited
from midwatch.bound.sky_in_view import SkyInView
from midwatch.bound.timetable import Place, Steps, best_schedule
from midwatch.journal.facts import OperatorSpoke, OrdersChanged
from midwatch.journal.record import ITSELF, NightRecord
from midwatch.journal.store import Event, facts_of
from midwatch.orders.injected import STEP_S, ScheduledFault
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan
from midwatch.reports import Reach
from midwatch.sequencer.facts import with_rig_defaults
from midwatch.sky import Horizon, Observer, TreeLine

__all__ = ["Foresight", "clairvoyant_s", "priced_bound_s"]

# A degree of hour angle, in seconds of the Sun: a little more than those of the stars.
_MEAN_DEGREE_S = 240.0
# Windows are journaled and held by others' arithmetic.
_WINDOW_SLACK_S = 2.0
# Times that the price of a target is halved towards its best.
_PRICINGS = 4


@dataclass(frozen=True)
class Foresight:
    """Measures a rehearsal that is over by what perfect knowledge could have had.

    Attributes:
        night: the orders.
        plan: of the night.
        faults: that were brought about.
        undisturbed: gaps of the night without faults, where they are known.
        in_the_way: what hides the sky, whatever the site's horizon says.
    """

    night: Night
    plan: NightPlan
    faults: Sequence[ScheduledFault]
    undisturbed: Gaps | None = None
    in_the_way: Sequence[Horizon | TreeLine] = ()

    def __call__(self, events: Sequence[Event], record: NightRecord) -> Reach | None:
        """Return what was had and the bound; None where new orders asked for something else."""
        if any(new.added or new.changed for _, new in facts_of(events, OrdersChanged)):
            return None
        gaps = gaps_of(record, events).shortest(self.undisturbed)
        bound_s = clairvoyant_s(
            self.night, self.plan, self.faults, record, events, gaps, self.in_the_way
        )
        return Reach(counted_s(record, self.night), bound_s)


def clairvoyant_s(
    night: Night,
    plan: NightPlan,
    faults: Sequence[ScheduledFault],
    record: NightRecord,
    events: Sequence[Event],
    gaps: Gaps,
    in_the_way: Sequence[Horizon | TreeLine] = (),
) -> float:
    """Return the most integration that could have been had, seconds.

    Args:
        night: the orders.
        plan: of the night.
        faults: that were brought about.
        record: of the night, for the lengths of its exposures.
        events: the same, in the order of the journal, for its weather.
        gaps: the shortest that were seen.
        in_the_way: what hides the sky, whatever the site's horizon says.
    """
    safety, roles = night.site.safety, tuple(night.rig.devices.present())
    rules = Rules(safety, roles, night.rig.bus.lease_s, plan.work_from_s)
    darks = [*dark_spans(faults, rules), *clouded(events, faults)]
    darks += over_limits(events, faults, safety.calm_s)
    darks += waited(events, faults, _waiting_for(night))
    recovered_s = gaps.recovered or 0.0
    darks = [
        Dark(d.from_utc_s, d.until_utc_s + (recovered_s if d.parked else 0.0), d.how) for d in darks
    ]
    lights = lights_of(record)
    # A clock that is seconds ahead shifts all that the night does by as much.
    steps_ahead = sum(fault.name == "clock-step-seconds" for fault in faults)
    slack_s = _WINDOW_SLACK_S + steps_ahead * STEP_S["clock-step-seconds"]
    places = [
        place
        for target in plan.targets
        for place in _places(target, night, slack_s, {light.exposure_s for light in lights
                                                      if light.begun.target == target.target.name})
    ]  # fmt: skip
    darks += closed_by_hand(events)
    until = _removed(events)
    places = [_until(place, until.get(place.target, math.inf)) for place in places]
    if in_the_way:
        view = SkyInView(Observer(night.place), in_the_way)
        motions = {target.target.name: target.target.motion for target in plan.targets}
        places = [view.of(place, motions[place.target]) for place in places]
        places = [place for place in places if place.spans_utc_s]
    every = _most_between_dithers(night) if "guider" in roles else 0
    steps = Steps(gaps, every, undithered(record, events, every))
    wanted = {t.target.name: wanted_s(night, t.target.name) for t in plan.targets}
    hours = (plan.dusk_s - slack_s, plan.dawn_s + slack_s)
    return priced_bound_s(places, darks, steps, wanted, hours)


def _most_between_dithers(night: Night) -> int:
    """Return the frames between dithers of the order that asks for the fewest; 0 for no dithers."""
    guiding = night.rig.guiding
    between = [
        guiding.cadence(order).frames(order.exposure_s)
        for target in night.targets
        for order in target.order.frames
    ]
    return 0 if 0 in between else max(between, default=0)


def _waiting_for(night: Night) -> list[str]:
    """Return the lookouts whose tripping means to wait, and nothing else."""
    orders = with_rig_defaults(night.orders.standing_orders, night.rig.focus)
    named = Counter(order.when for order in orders)
    return [order.when for order in orders if order.do == "wait" and named[order.when] == 1]


def closed_by_hand(events: Sequence[Event]) -> list[Dark]:
    """Return when a person ordered the night to be closed: an exposure in hand ends with it."""
    return [
        Dark(at + _WINDOW_SLACK_S, math.inf, "all")
        for at, order in facts_of(events, OperatorSpoke)
        if order.command == "close" and order.who != ITSELF
    ]


def _removed(events: Sequence[Event]) -> dict[str, float]:
    """Return from when on new orders no longer held a target."""
    return {name: at for at, new in facts_of(events, OrdersChanged) for name in new.removed}


def _until(place: Place, utc_s: float) -> Place:
    """Return a place whose last exposure begins no later than an instant."""
    last_s = utc_s + max(place.lengths_s) + _WINDOW_SLACK_S
    spans = tuple((start, min(end, last_s)) for start, end in place.spans_utc_s if start < last_s)
    return replace(place, spans_utc_s=spans)


def _places(
    target: TargetPlan, night: Night, slack_s: float, taken: Iterable[float]
) -> Iterable[Place]:
    """Yield where a target can be exposed without a flip: on a German mount, two places."""
    lengths = {frame.exposure_s for frame in target.target.order.frames}
    lengths |= {math.ceil(length * 10.0) / 10.0 for length in taken}
    name, whole = target.target.name, tuple(sorted(lengths))
    spans = [
        (window.start_utc_s - slack_s, window.end_utc_s + slack_s) for window in target.windows
    ]
    for stretch in night.rig.geometry.stretches():
        first_s = target.transit_utc_s + stretch.from_deg * _MEAN_DEGREE_S
        last_s = target.transit_utc_s + stretch.until_deg * _MEAN_DEGREE_S
        within = tuple(
            (max(start, first_s), min(end, last_s))
            for start, end in spans
            if start < last_s and end > first_s
        )
        if within:
            yield Place(name, within, whole)


@dataclass(frozen=True)
class _Priced:
    """A bound, and what its schedule takes of each target."""

    bound_s: float
    taken_s: Mapping[str, float]


def priced_bound_s(
    places: Sequence[Place],
    darks: Sequence[Dark],
    steps: Steps,
    wanted: Mapping[str, float],
    hours: tuple[float, float],
) -> float:
    """Return the lowest bound found over the prices of targets.

    Args:
        places: where and when exposures are possible.
        darks: when they are not.
        steps: what lies between exposures.
        wanted: integration ordered of each target, seconds.
        hours: dusk and dawn, POSIX seconds.
    """

    def priced(prices: Mapping[str, float]) -> _Priced:
        worth = {name: 1.0 - price for name, price in prices.items()}
        schedule = best_schedule(places, darks, steps, worth, hours)
        paid = sum(price * wanted[name] for name, price in prices.items())
        return _Priced(schedule.worth_s + paid, schedule.taken_s)

    prices = dict.fromkeys(wanted, 0.0)
    found = priced(prices)
    least_s = min(found.bound_s, sum(wanted.values()))
    for name in wanted:
        low, high = 0.0, 1.0
        if found.taken_s.get(name, 0.0) <= wanted[name]:
            continue
        for _ in range(_PRICINGS):
            prices[name] = (low + high) / 2.0
            found = priced(prices)
            least_s = min(least_s, found.bound_s)
            if found.taken_s.get(name, 0.0) > wanted[name]:
                low = prices[name]
            else:
                high = prices[name]
    return least_s
