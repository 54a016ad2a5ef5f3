"""What an engine works with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from midwatch.learning import LearnedDurations
from midwatch.sequencer.decision import Decide, decide
from midwatch.sequencer.duties import Registry
from midwatch.sequencer.facts import RigHistory
from midwatch.sequencer.night.night_events import Identity
from midwatch.tasks import Tasks

__all__ = ["EngineParts"]


@dataclass(frozen=True)
class EngineParts:
    """What an engine works with, besides the context of its duties.

    Attributes:
        registry: the installed plugins.
        rig_history: folded from the journal of the context.
        learned: how long duties take.
        identity: what the journal's first event says of the night.
        data_folder: whose free space is watched.
        tasks: keeps what goes on alongside the duties.
        decide: what the rig is used for.
    """

    registry: Registry
    rig_history: RigHistory
    learned: LearnedDurations
    identity: Identity
    data_folder: Path
    tasks: Tasks
    decide: Decide = decide
