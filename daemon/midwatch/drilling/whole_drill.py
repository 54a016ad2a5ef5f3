"""A drill from its first night to its last: drawing, running, comparing, shrinking."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from midwatch.drilling.crew import Crew
from midwatch.drilling.shrink import shrink
from midwatch.drilling.tally import Shrunk
from midwatch.drilling.trial import NOT_REPEATED, Trial, TrialResult, differing
from midwatch.orders.injected import ScheduledFault

__all__ = ["Drill", "Drilled"]

# One night in so many is run twice.
_REPEATED = 20
# So many broken nights are shrunk; each takes as long as some ten nights.
_SHRUNK = 3

Heard = Callable[[TrialResult], None]


@dataclass(frozen=True)
class Drilled:
    """Everything that a drill found."""

    undisturbed: TrialResult
    results: list[TrialResult]
    shrunk: list[Shrunk]


class Drill:
    """Runs the nights of a drill.

    Args:
        crew: runs single nights.
        heard: called with each night that has ended, and with each that was tried for shrinking.
    """

    def __init__(self, crew: Crew, heard: Heard) -> None:
        self._crew = crew
        self._heard = heard

    def run(self, undisturbed: Trial, trials: Sequence[Trial]) -> Drilled:
        """Run all nights, hold them against their promises, and shrink the first that break any.

        Args:
            undisturbed: the night without faults, which shows how fast the rig is at its best.
            trials: the others.
        """
        (first,) = self._crew.run([undisturbed])
        self._heard(first)
        nights = [
            replace(trial, again=number % _REPEATED == 0) for number, trial in enumerate(trials)
        ]
        results = sorted(self._all(nights, first), key=lambda result: result.trial.number)
        broken = [result for result in results if result.broken][:_SHRUNK]
        return Drilled(first, results, [self._shrunk(result, first) for result in broken])

    def _all(self, nights: Sequence[Trial], first: TrialResult) -> Iterator[TrialResult]:
        """Yield the result of each night; those that are run twice once both have ended."""
        doubled = [
            night for trial in nights for night in ([trial, trial] if trial.again else [trial])
        ]
        half: dict[int, TrialResult] = {}
        for result in self._crew.run(doubled, first.gaps):
            before = half.pop(result.trial.number, None)
            if result.trial.again and before is None:
                half[result.trial.number] = result
                continue
            if before is not None:
                result = _compared(before, result)
            self._heard(result)
            yield result

    def _shrunk(self, result: TrialResult, first: TrialResult) -> Shrunk:
        promise = result.broken[0].number
        trial = result.trial

        def breaks(faults: tuple[ScheduledFault, ...], shuffle: int) -> bool:
            tried = Trial(trial.number, trial.seed, tuple(sorted(faults)), shuffle=shuffle)
            runs = [tried] if promise != NOT_REPEATED else [tried, tried]
            found = list(self._crew.run(runs, first.gaps))
            for one in found:
                self._heard(one)
            last = found[0] if len(found) == 1 else _compared(*found)
            return any(broken.number == promise for broken in last.broken)

        # A night that breaks in the plain order as well is easier to follow there.
        plain = trial.shuffle and breaks(trial.faults, 0)
        shuffle = 0 if plain else trial.shuffle
        least = shrink(trial.faults, lambda faults: breaks(faults, shuffle))
        return Shrunk(trial.number, trial.seed, promise, least, shuffle)


def _compared(one: TrialResult, other: TrialResult) -> TrialResult:
    """Return one of two runs of the same night, with what sets them apart."""
    total_s = one.processor_s + other.processor_s
    result = one if one.digest == other.digest else differing(one, other)
    return replace(result, processor_s=total_s)
