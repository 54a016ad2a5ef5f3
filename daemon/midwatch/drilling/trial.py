"""One night of a drill: what it is given, how it is run, and what it came to."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from midwatch.bound import Gaps, gaps_of
from midwatch.errors import InputError
from midwatch.exit_codes import explained
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.orders.injected import FAULT_KINDS, ScheduledFault, draw_faults
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from midwatch.seeding import device_rng

__all__ = [
    "BOUND", "NOT_ENDED", "NOT_REPEATED", "Broken", "Trial", "TrialResult", "differing",
    "draw_trial", "failed", "run_trial",
]  # fmt: skip

# Numbers besides those of the promises, for what only a drill can find.
NOT_ENDED, NOT_REPEATED, BOUND = 0, 9, 99
_TEXTS = {
    NOT_ENDED: "Every night comes to an end",
    NOT_REPEATED: "The same orders, site, rig and seed give the same journal",
    BOUND: "No night has more than perfect knowledge could have had",
}
_SEEDS = 1_000_000_000
# One night in so many is shuffled. Fewer leave orders untried that a real machine may take; with
# more, fewer nights are what an ordinary rehearsal would show.
_SHUFFLED = 5


@dataclass(frozen=True)
class Trial:
    """A night to be drilled.

    Attributes:
        number: within the drill, from 1; 0 is the night without faults.
        seed: of the rehearsal.
        faults: what goes wrong.
        again: it is run a second time, to see whether it gives the same journal.
        shuffle: seed by which what is due at the same instant is shuffled; 0: it is not.
    """

    number: int
    seed: int
    faults: tuple[ScheduledFault, ...]
    again: bool = False
    shuffle: int = 0


@dataclass(frozen=True)
class Broken:
    """A promise that was not kept: its number, what was found, and the promise in words."""

    number: int
    detail: str
    text: str = ""

    @classmethod
    def by_drill(cls, number: int, detail: str) -> Broken:
        """Return a promise broken that only a drill can find."""
        return cls(number, detail, _TEXTS[number])


@dataclass(frozen=True)
class TrialResult:
    """What a night came to.

    Attributes:
        counted_s: integration of accepted frames, as far as it was ordered.
        bound_s: what could have been had with perfect knowledge.
        usable_s: seconds in which a target was inside its windows, and safe.
        gaps: the shortest times between frames, of the night without faults.
        ended: how the night ended; empty if it did not.
        processor_s: what it took.
        ledger: seconds between dusk and dawn by cause.
        refused_s: exposure time of light frames that were not accepted, or never read out.
    """

    trial: Trial
    digest: str
    counted_s: float
    bound_s: float
    usable_s: float
    frames: int
    broken: tuple[Broken, ...]
    gaps: Gaps
    ended: str
    processor_s: float = 0.0
    ledger: Mapping[str, int] = field(default_factory=dict)
    refused_s: float = 0.0

    @property
    def kept(self) -> float | None:
        """Share of the bound that was had; None where nothing could be had."""
        return self.counted_s / self.bound_s if self.bound_s > 0.0 else None


def failed(trial: Trial, message: str) -> TrialResult:
    """Return the result of a night that came to no end."""
    broken = (Broken.by_drill(NOT_ENDED, message),)
    return TrialResult(trial, "", 0.0, 0.0, 0.0, 0, broken, Gaps(), "")


def draw_trial(
    seed: int,
    number: int,
    night: Night,
    plan: NightPlan,
    most: int,
    given: Sequence[ScheduledFault] = (),
) -> Trial:
    """Draw a night of a drill: the same seed and number give the same night.

    Args:
        seed: of the drill.
        number: of the night.
        night: the orders.
        plan: of that evening.
        most: at most so many faults are drawn; none with 0.
        given: faults that every night has.
    """
    rng = device_rng(seed, f"night {number} of a drill")
    night_seed = int(rng.integers(_SEEDS))
    roles = tuple(night.rig.devices.present())
    drawn = (
        draw_faults(rng, roles, plan.prepare_from_s, plan.dawn_s, most=most, among=_drawable(roles))
        if most > 0
        else []
    )
    faults = tuple(sorted([*given, *drawn]))
    return Trial(number, night_seed, faults, shuffle=_draw_shuffle(seed, number))


def _draw_shuffle(seed: int, number: int) -> int:
    """Return the seed by which a night is shuffled; 0 for most, and for the one without faults."""
    rng = device_rng(seed, f"order of equal instants in night {number} of a drill")
    drawn = int(rng.integers(1, _SEEDS)) if rng.integers(_SHUFFLED) == 0 else 0
    return drawn if number else 0


def _drawable(roles: Sequence[str]) -> tuple[str, ...]:
    """Return the faults that do anything to this rig: drivers that it does not have cannot die."""
    return tuple(
        name
        for name, kind in FAULT_KINDS.items()
        if kind.where != "process" or name.partition("-driver-")[0] in roles
    )


def run_trial(
    night: Night, plan: NightPlan, trial: Trial, folder: Path, undisturbed: Gaps | None = None
) -> TrialResult:
    """Run a night through the real daemon and hold it against its promises.

    Args:
        night: the orders.
        plan: of the evening.
        trial: its seed and faults.
        folder: for its files; emptied before.
        undisturbed: gaps of the night without faults, for the bound.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    events: list[Event] = []
    options = RehearsalOptions(
        seed=trial.seed, sky_mode="fast", data_folder=folder, evening=plan.evening,
        faults=trial.faults, lean=True, undisturbed=undisturbed, plan=plan,
        shuffle=trial.shuffle,
    )  # fmt: skip
    try:
        outcome = rehearse(night, options, events.append)
    except InputError:
        raise
    except Exception as error:  # whatever ends a night in the middle breaks it
        return failed(trial, explained(error)[1])
    summary = outcome.summary
    had_s, bound_s = summary.yield_.had_s or 0.0, summary.yield_.bound_s or 0.0
    gaps = Gaps() if undisturbed else gaps_of(NightRecord.from_events(events), events)
    broken = [
        Broken(promise.number, promise.detail, promise.text)
        for promise in summary.promises
        if promise.ok is False
    ]
    if had_s > bound_s + 1.0:
        found = f"{had_s:.0f} s were had of at most {bound_s:.0f} s"
        broken.append(Broken.by_drill(BOUND, found))
    return TrialResult(
        trial=trial,
        digest=summary.journal_digest,
        counted_s=had_s,
        bound_s=bound_s,
        usable_s=float(summary.usable_s),
        frames=sum(target.accepted for target in summary.targets),
        broken=tuple(broken),
        gaps=gaps,
        ended=summary.how or "",
        ledger=dict(summary.ledger),
        refused_s=sum(
            frame.exposure_s
            for frame in summary.frames
            if frame.frame == "light" and frame.grade != "accepted"
        ),
    )


def differing(result: TrialResult, again: TrialResult) -> TrialResult:
    """Return a result with the promise broken that the same night gives the same journal."""
    detail = f"journal digest {result.digest[:12]}, then {again.digest[:12]}"
    return replace(result, broken=(*result.broken, Broken.by_drill(NOT_REPEATED, detail)))
