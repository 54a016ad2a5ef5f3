"""Nights of a late lens, in numbers: the real model and rules under the simulator's air.

Probe 3 min, lens 60 min, waves of 1.5 degC. Truth is the simulator's lens.
"""

from __future__ import annotations

import pytest

from support.lag_story import Weather, nights

SEED = 1


@pytest.mark.parametrize("wave_min", [90.0, 180.0])
def test_lights_stay_in_the_zone_and_runs_are_at_most_doubled(wave_min: float) -> None:
    calm = list(nights(Weather(), SEED))
    waves = list(nights(Weather(wave_c=1.5, wave_min=wave_min), SEED))
    for night, without in zip(waves, calm, strict=True):
        print(
            f"seed {SEED}: {night.beyond:.3f} beyond, {len(night.runs)} runs, {len(without.runs)}"
        )
        assert night.beyond <= 0.05
        assert len(night.runs) <= 2 * len(without.runs)
        assert night.trusted[-1]
    model = waves[-1].model
    assert model is not None
    assert model.lag_sigma_min is not None
    assert abs(model.lag_min - 57.0) < 3.0 * model.lag_sigma_min
