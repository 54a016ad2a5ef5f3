"""The guide loop: frames in, pulses out. Pure: no clock, no device, no file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from midwatch.imaging.frames import Frame
from midwatch.imaging.guiding.settings import GuideSettings, Pointing
from midwatch.imaging.guiding.settle import SettleRule
from midwatch.imaging.guiding.statistics import GuideStatistics

__all__ = ["GuideEvent", "GuideLoop", "GuidePulse", "LoopOutput", "LoopPhase"]

LoopPhase = Literal["idle", "calibrating", "settling", "guiding", "lost"]
Direction = Literal["north", "south", "east", "west"]


@dataclass(frozen=True)
class GuidePulse:
    """A motion at the guide rate; the direction is the one named to the mount.

    Attributes:
        direction: What to ask the mount for.
        duration_ms: For how long, at least 1.
    """

    direction: Direction
    duration_ms: int


@dataclass(frozen=True)
class GuideEvent:
    """Something to tell.

    Attributes:
        name: One of "stars_chosen", "no_stars", "calibration_begun", "calibrated",
            "calibration_failed", "calibration_reused", "settled", "settle_timed_out",
            "stars_lost", "stars_found", "star_replaced", "period_found", "dec_one_way".
        text: One sentence with values and units.
    """

    name: str
    text: str


@dataclass(frozen=True)
class LoopOutput:
    """What to do after a frame.

    Attributes:
        pulses: To be performed, one an axis at most, before the next exposure begins. They may
            run at once.
        phase: Where the loop is.
        error_arcsec: Distance of the stars from their target as measured in this frame; None
            without a measurement.
        stats: Figures over the settings' window.
        events: What happened, oldest first.
    """

    pulses: tuple[GuidePulse, ...]
    phase: LoopPhase
    error_arcsec: float | None
    stats: GuideStatistics
    events: tuple[GuideEvent, ...] = ()


class GuideLoop:
    """Chooses stars, calibrates, settles, guides, dithers, loses and finds again.

    The driver's part: take an exposure; `begin` with the first, `on_frame` with each further one;
    perform the pulses; take the next exposure when they are done. Times are seconds of any steady
    clock, the same throughout.
    """

    def __init__(self, settings: GuideSettings) -> None: ...

    @property
    def phase(self) -> LoopPhase:
        """Where the loop is."""
        raise NotImplementedError

    @property
    def calibrated(self) -> bool:
        """Whether a calibration is in force."""
        raise NotImplementedError

    def begin(
        self,
        frame: Frame,
        now_s: float,
        pointing: Pointing,
        settle: SettleRule,
        *,
        recalibrate: bool = False,
    ) -> LoopOutput:
        """Choose stars on a frame and begin: with calibrating if there is no valid calibration.

        The phase stays "idle", with the event "no_stars", when the frame shows no usable star:
        call again with another, perhaps longer, exposure.
        """
        raise NotImplementedError

    def on_frame(
        self,
        frame: Frame,
        began_s: float,
        exposure_s: float,
        *,
        performed: tuple[GuidePulse, ...] | None = None,
    ) -> LoopOutput:
        """Take in an exposure and say what to do before the next.

        Args:
            frame: The exposure, of the same shape and origin as the one of `begin`.
            began_s: When its exposure began.
            exposure_s: How long it was.
            performed: The pulses performed since the last frame where these differ from those
                asked for (a limit refused them); None: as asked.
        """
        raise NotImplementedError

    def dither(self, east_arcsec: float, north_arcsec: float, settle: SettleRule) -> None:
        """Shift the target on the sky; the phase is "settling" until "settled" is told."""
        raise NotImplementedError

    def stop(self) -> None:
        """Return to idle; calibration and what was learned stay."""
        raise NotImplementedError

    def save(self) -> dict[str, object]:
        """Return calibration and learned model, fit for JSON."""
        raise NotImplementedError

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take up what `save` returned; what cannot be read is left out, with a ValueError."""
        raise NotImplementedError
