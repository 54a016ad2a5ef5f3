"""When the slow curves of a night are journaled."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from midwatch.devices.contract.kinds import WeatherState
from midwatch.sequencer.night.night_events import Sampler


def rig_under(cloud_percent: list[float | None]) -> Any:
    """A rig whose sensor shows one reading after the other; the rest of it is silent."""
    readings = iter(cloud_percent)

    class Weather:
        @property
        def state(self) -> WeatherState:
            return self._state

        def look(self) -> None:
            self._state = WeatherState(connected=True, cloud_percent=next(readings))

    silent = SimpleNamespace(state=None)
    return SimpleNamespace(weather=Weather(), guider=None, camera=silent, focuser=silent)


@pytest.mark.parametrize(
    ("cloud_percent", "sampled_at_s"),
    [
        ([2.0] * 11, [0, 300, 600]),
        ([None] * 11, [0, 300, 600]),
        # They come after two minutes and go after eight: both are seen within the minute.
        ([2, 3, 60, 85, 86, 85, 84, 85, 50, 3, 2], [0, 120, 180, 300, 480, 540, 600]),
        # Haze that comes and goes by less than a tenth of the sky is no event.
        ([2, 11, 2, 11, 2, 11, 2, 11, 2, 11, 2], [0, 300, 600]),
    ],
)
def test_curves_are_sampled_now_and_then_and_when_clouds_come_or_go(
    cloud_percent: list[float | None], sampled_at_s: list[int]
) -> None:
    rig = rig_under(cloud_percent)
    sampler = Sampler(rig)
    taken = []
    for at_s in range(0, 60 * len(cloud_percent), 60):
        rig.weather.look()
        curves = sampler.take(float(at_s), None)
        if curves is not None:
            taken.append(at_s)
            assert curves.cloud_percent == cloud_percent[at_s // 60]
    assert taken == sampled_at_s
