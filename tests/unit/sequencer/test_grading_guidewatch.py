"""Guiding during an exposure, as the frame's grade sees it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, cast

import pytest

from midwatch.clock import VirtualClock
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract.kinds import GuiderState
from midwatch.sequencer.frames.guide_watch import Guidance, GuideWatch
from midwatch.virtual_time import run_virtual

START = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)


class Guider:
    """What a guide watch asks of a client: a state, whether it is down, and news of both."""

    def __init__(self, phase: str, rms: float | None = None) -> None:
        self.down = False
        self.state = state(phase, rms)
        self.listeners: list[Callable[[], None]] = []

    def listen(self, callback: Callable[[], None]) -> Callable[[], None]:
        self.listeners.append(callback)
        return lambda: self.listeners.remove(callback)

    def say(self, phase: str, rms: float | None = None) -> None:
        self.state = state(phase, rms)
        self.inform()

    def inform(self) -> None:
        for callback in tuple(self.listeners):
            callback()


def state(phase: str, rms: float | None) -> GuiderState:
    return GuiderState.model_validate(
        {"connected": True, "phase": phase, "rms_ra_arcsec": rms, "rms_dec_arcsec": rms and 0.0}
    )


def watched(guider: Guider | None, *steps: tuple[float, Callable[[], Any]]) -> Guidance:
    """Watch an exposure in which things happen after so many seconds each; 100 s in all."""
    clock = VirtualClock(START)

    async def expose() -> GuideWatch:
        watch = GuideWatch(clock, cast("DeviceClient[GuiderState] | None", guider))
        watch.begin()
        left_s = 100.0
        for after_s, happen in steps:
            await clock.sleep(after_s)
            left_s -= after_s
            happen()
        await clock.sleep(left_s)
        watch.end()
        watch.end()
        return watch

    return run_virtual(expose).guidance()


def test_an_exposure_that_was_guided_throughout() -> None:
    guider = Guider("guiding", 0.6)
    found = watched(guider, (50.0, lambda: guider.say("guiding", 0.8)))
    assert found.guided
    assert found.lost_percent == 0.0
    # Root mean square of halves of 0.6 and 0.8 arcsec, by hand: 0.7071.
    assert found.rms_arcsec == pytest.approx(0.7071, abs=1e-4)
    assert guider.listeners == []


def test_a_star_lost_in_the_middle_counts_though_it_is_back_at_the_end() -> None:
    guider = Guider("guiding", 0.6)
    found = watched(
        guider, (40.0, lambda: guider.say("lost")), (25.0, lambda: guider.say("guiding", 0.6))
    )
    assert found.lost_percent == pytest.approx(25.0)
    assert not found.guided


def test_a_guider_that_falls_silent_has_lost_the_star() -> None:
    guider = Guider("guiding", 0.6)

    def silent() -> None:
        guider.down = True
        guider.inform()

    found = watched(guider, (95.0, silent))
    assert found.lost_percent == pytest.approx(5.0)
    assert found.guided


def test_without_guiding_there_is_nothing_to_lose() -> None:
    for guider in (None, Guider("idle")):
        found = watched(guider)
        assert not found.guided
        assert found.lost_percent is None
        assert found.rms_arcsec is None
