"""What a drill came to: the content of its JSON, and the numbers of its listing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from midwatch import __version__
from midwatch.drilling.replay import Replay
from midwatch.drilling.trial import TrialResult
from midwatch.orders.injected import ScheduledFault

__all__ = [
    "BrokenNight", "BrokenPromise", "DrillFacts", "DrillSummary", "NightResult", "Share", "Shrunk",
    "drill_schema", "sum_up",
]  # fmt: skip

SCHEMA_VERSION = 1
# So many of the worst nights are listed.
_WORST = 5


@dataclass(frozen=True)
class DrillFacts:
    """What was asked for."""

    orders: str
    evening: date
    seed: int
    most: int


@dataclass(frozen=True)
class Shrunk:
    """The least under which a night still breaks a promise."""

    night: int
    seed: int
    promise: int
    faults: tuple[ScheduledFault, ...]
    shuffle: int = 0


class _Part(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )


class BrokenPromise(_Part):
    """A promise that a night broke."""

    promise: int = Field(
        description="Its number in night.json; 0: the night came to no end; 99: more was had than "
        "the clairvoyant bound allows"
    )
    text: str = Field(default="", description="The promise in words")
    detail: str = Field(description="What was found")


class NightResult(_Part):
    """One night of the drill."""

    night: int = Field(description="Number within the drill, from 1; 0 is the one without faults")
    seed: int = Field(description="Seed of its rehearsal")
    faults: list[str] = Field(description="What went wrong, as --fault takes it")
    shuffle: int = Field(
        default=0,
        description="What was due at the same instant happened in an order drawn from this; "
        "0: in the order in which it was planned",
    )
    accepted: int = Field(description="Accepted light frames")
    integration_s: float = Field(description="Their exposure time, as far as it was ordered")
    bound_s: float = Field(description="What could have been had with perfect knowledge")
    kept: float | None = Field(description="Their ratio; null where nothing could be had")
    clairvoyant: float | None = Field(
        description="The bound as a share of the usable seconds, as in the yield of night.json"
    )
    ledger: dict[str, int] = Field(
        default={}, description="Seconds between dusk and dawn by cause, as in night.json"
    )
    refused_s: float = Field(
        default=0.0,
        description="Exposure time of light frames that were not accepted, or never read out",
    )
    broken: list[BrokenPromise]
    ended: str = Field(description="Why it ended; empty where it came to no end")
    journal_digest: str = Field(description="Digest of every event of the night and its moment")
    replay: str = Field(description="The command that rehearses the very same night")


class BrokenNight(_Part):
    """The least that breaks a night."""

    night: int
    promise: int
    faults: list[str] = Field(description="The fewest and shortest faults that still break it")
    shuffle: int = Field(default=0, description="As in results; 0 where it breaks without")
    replay: str


class Share(_Part):
    """How the share of the bound that was kept is spread over the nights; null without nights."""

    median: float | None
    percentile_5: float | None = Field(description="5 nights of 100 kept less")
    mean: float | None
    least: float | None


class DrillSummary(_Part):
    """A whole drill."""

    schema_version: int = Field(default=SCHEMA_VERSION, alias="schema")
    midwatch: str
    orders: str
    evening: str
    seed: int
    most_faults: int
    nights: int
    kept: Share
    undisturbed: NightResult = Field(description="The night without faults")
    repeated: int = Field(description="Nights that were run twice and compared")
    worst: list[int] = Field(description="Numbers of the nights that kept least, the worst first")
    broken: list[int] = Field(description="Numbers of the nights that broke a promise")
    shrunk: list[BrokenNight] = Field(description="What the first of them come down to")
    results: list[NightResult]
    processor_s: float = Field(description="Processor time of all nights; differs each time")


def drill_schema() -> dict[str, Any]:
    """Return the JSON Schema of what ``midwatch drill --json`` prints."""
    return DrillSummary.model_json_schema(by_alias=True, mode="serialization")


def sum_up(
    results: Sequence[TrialResult],
    undisturbed: TrialResult,
    shrunk: Sequence[Shrunk],
    replay: Replay,
    facts: DrillFacts,
) -> DrillSummary:
    """Sum a drill up.

    Args:
        results: of its nights.
        undisturbed: of the night without faults.
        shrunk: what broken nights come down to.
        replay: says how to see a night again.
        facts: what was asked for.
    """
    ordered = sorted(results, key=lambda result: result.trial.number)
    nights = [_night(result, replay) for result in ordered]
    known = [night for night in nights if night.kept is not None]
    worst = sorted(known, key=lambda night: (night.kept, night.night))[:_WORST]
    broken = [
        BrokenNight(
            night=one.night,
            promise=one.promise,
            faults=replay.faults(one.faults),
            shuffle=one.shuffle,
            replay=replay.command(one.seed, one.faults, one.shuffle),
        )
        for one in shrunk
    ]
    return DrillSummary(
        midwatch=__version__,
        orders=facts.orders,
        evening=facts.evening.isoformat(),
        seed=facts.seed,
        most_faults=facts.most,
        nights=len(nights),
        kept=_share([night.kept for night in known if night.kept is not None]),
        undisturbed=_night(undisturbed, replay),
        repeated=sum(result.trial.again for result in results),
        worst=[night.night for night in worst],
        broken=[night.night for night in nights if night.broken],
        shrunk=broken,
        results=nights,
        processor_s=round(sum(result.processor_s for result in (*results, undisturbed)), 3),
    )


def _night(result: TrialResult, replay: Replay) -> NightResult:
    trial = result.trial
    clairvoyant = result.bound_s / result.usable_s if result.usable_s > 0.0 else None
    return NightResult(
        night=trial.number,
        seed=trial.seed,
        faults=replay.faults(trial.faults),
        shuffle=trial.shuffle,
        accepted=result.frames,
        integration_s=round(result.counted_s, 3),
        bound_s=round(result.bound_s, 3),
        kept=None if result.kept is None else round(result.kept, 6),
        clairvoyant=None if clairvoyant is None else round(clairvoyant, 6),
        ledger=dict(result.ledger),
        refused_s=round(result.refused_s, 3),
        broken=[
            BrokenPromise(promise=one.number, text=one.text, detail=one.detail)
            for one in result.broken
        ],
        ended=result.ended,
        journal_digest=result.digest,
        replay=replay.command(trial.seed, trial.faults, trial.shuffle),
    )


def _share(kept: Sequence[float]) -> Share:
    if not kept:
        return Share(median=None, percentile_5=None, mean=None, least=None)
    fifth, median = (float(value) for value in np.percentile(kept, (5.0, 50.0)))
    return Share(
        median=round(median, 6),
        percentile_5=round(fifth, 6),
        mean=round(float(np.mean(kept)), 6),
        least=round(min(kept), 6),
    )
