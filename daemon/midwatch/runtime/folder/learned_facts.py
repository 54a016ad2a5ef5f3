"""What earlier nights of a data folder have taught about exposures, for the plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from midwatch.journal.facts import NightBegan
from midwatch.journal.store import facts_of, read_events
from midwatch.learning import PROPOSAL_NAME, SkyFacts, learn_sky
from midwatch.orders.models import FrameOrder
from midwatch.orders.reading import Night
from midwatch.runtime.folder.kept_nights import JOURNAL_NAME

__all__ = ["Learnings", "learnings_of", "sky_content", "sky_text"]


@dataclass(frozen=True)
class Learnings:
    """What is known before the night.

    Attributes:
        skies: By target and index of the frame order; None where nothing was learned.
        proposal: The proposed horizon, where there is one.
    """

    skies: dict[tuple[str, int], SkyFacts | None]
    proposal: Path | None

    def sky(self, target: str, index: int) -> SkyFacts | None:
        """Return what the sky gives a frame order's exposures."""
        return self.skies.get((target, index))


def learnings_of(night: Night, data_folder: Path) -> Learnings:
    """Read what the nights of this rig have taught; nothing where there is no journal.

    Raises:
        StopError: the journal is damaged, or of another program or version.
    """
    path = data_folder / JOURNAL_NAME
    events = read_events(path) if path.exists() else []
    rigs = {began.night: began.rig for _, began in facts_of(events, NightBegan)}
    events = [event for event in events if rigs.get(event.night) == night.rig.name]
    camera = night.rig.camera
    known: dict[tuple[str | None, int, int, int], SkyFacts | None] = {}
    skies: dict[tuple[str, int], SkyFacts | None] = {}
    for target in night.targets:
        for index, order in enumerate(target.order.frames):
            setting = _setting(night, order)
            key = (order.filter, *setting)
            if key not in known:
                known[key] = learn_sky(
                    events, order.filter, setting, camera.read_noise_e, camera.pedestal_adu
                )
            skies[target.name, index] = known[key]
    proposal = data_folder / PROPOSAL_NAME
    return Learnings(skies, proposal if proposal.exists() else None)


def _setting(night: Night, order: FrameOrder) -> tuple[int, int, int]:
    camera = night.rig.camera
    return (
        camera.gain if order.gain is None else order.gain,
        camera.offset if order.offset is None else order.offset,
        camera.binning if order.binning is None else order.binning,
    )


def sky_content(sky: SkyFacts | None) -> dict[str, Any] | None:
    """Return what was learned for programs; None for not known."""
    if sky is None:
        return None
    return {
        "sky_e_s": round(sky.sky_e_s, 4),
        "read_noise_e": round(sky.read_noise_e, 3),
        "shortest_sub_s": round(sky.shortest_sub_s, 1),
        "frames": sky.frames,
    }


def sky_text(order: FrameOrder, sky: SkyFacts | None) -> str:
    """Return what was learned for a person."""
    name = f"{order.filter} " if order.filter else ""
    if sky is None:
        return f"{name}not known yet"
    shorter = ", longer than ordered" if sky.shortest_sub_s > order.exposure_s else ""
    return f"{name}from {sky.shortest_sub_s:.0f} s{shorter}"
