"""What the nights of a journal teach about site and sensor, put together for report and summary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from midwatch.durable import write_whole
from midwatch.journal.promises import NightContext
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.learning.exposure_advice import ExposureAdvice, advise
from midwatch.learning.horizon_seen import SeenBin, horizon_text, learn_horizon, proposed_horizon
from midwatch.sky import Horizon

__all__ = ["PROPOSAL_NAME", "Lessons", "draw_lessons", "keep_proposal"]

PROPOSAL_NAME = "horizon-proposed.txt"


@dataclass(frozen=True)
class Lessons:
    """What was learned.

    Attributes:
        horizon: By azimuth, where frames were hidden.
        proposal: The site's horizon raised accordingly; None where nothing is proposed.
        exposures: Advice for each frame order of the night.
    """

    horizon: tuple[SeenBin, ...] = ()
    proposal: Horizon | None = None
    exposures: tuple[ExposureAdvice, ...] = ()


def draw_lessons(record: NightRecord, history: Sequence[Event], context: NightContext) -> Lessons:
    """Learn from a night and those before.

    Args:
        record: The night.
        history: Events of all nights of the journal, that one among them.
        context: Site and limits.
    """
    bins = learn_horizon(history, context.observer, context.horizon)
    return Lessons(
        horizon=bins,
        proposal=proposed_horizon(bins, context.horizon),
        exposures=advise(record, history, context.read_noise_e, context.pedestal_adu),
    )


def keep_proposal(data_folder: Path, lessons: Lessons, *, durable: bool) -> Path | None:
    """Write the proposed horizon into the data folder, or take an overtaken one away.

    Raises:
        OSError: the folder cannot be written.
    """
    path = data_folder / PROPOSAL_NAME
    if lessons.proposal is None:
        path.unlink(missing_ok=True)
        return None
    write_whole(path, horizon_text(lessons.proposal, lessons.horizon), durable=durable)
    return path
