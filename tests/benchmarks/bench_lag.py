"""Lenses that follow the air late: lights beyond the critical focus zone, and focus runs.

For each seed two nights of one rig, a first one and a later one with what the first has taught;
each without and with waves of the air's temperature.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.focus_nights import FocusNight, beyond_zone, cold_orders, rehearse_night
from support.lag_story import Weather, nights

EVENINGS = (date(2027, 3, 10), date(2027, 3, 11))
# Probe and lens, minutes.
LAGS = {"demo": {}, "3 and 60": {"probe_lag_min": 3, "lens_lag_min": 60, "tube_lag_min": 60}}


@dataclass
class Row:
    """What nights of one kind came to."""

    lights: int = 0
    beyond: float = 0.0
    runs: int = 0
    nights: int = 0
    worst: float = 0.0

    def add(self, night: FocusNight) -> None:
        """Count a night."""
        share = beyond_zone(night)
        self.lights += len(night.lights_px)
        self.beyond += share * len(night.lights_px)
        self.runs += len(night.runs)
        self.nights += 1
        self.worst = max(self.worst, share)


def print_story(seeds: int, count: int) -> None:
    """Print a table of nights in numbers: by lens, waves, and number of the night."""
    print("| lens, min | waves, degC | every, min | night | beyond | worst | runs, mean | most |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for lens_min in (10.0, 30.0, 60.0, 120.0):
        for wave_c, wave_min in (
            (0.0, 180.0),
            (1.5, 60.0),
            (1.5, 90.0),
            (1.5, 180.0),
            (1.5, 240.0),
        ):
            weather = Weather(wave_c=wave_c, wave_min=wave_min, lens_min=lens_min)
            seen = [list(nights(weather, seed, count)) for seed in range(1, seeds + 1)]
            for number in range(count):
                shares = [row[number].beyond for row in seen]
                runs = [len(row[number].runs) for row in seen]
                print(
                    f"| {lens_min:.0f} | {wave_c:g} | {wave_min:.0f} | {number + 1} "
                    f"| {100 * sum(shares) / seeds:.1f} % | {100 * max(shares):.0f} % "
                    f"| {sum(runs) / seeds:.1f} | {max(runs)} |",
                    flush=True,
                )


def main() -> None:
    """Print a table."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seeds", type=int, default=4)
    ask.add_argument("--fall-c", type=float, default=8.0)
    ask.add_argument("--waves-c", type=float, nargs="*", default=[0.0, 1.5])
    ask.add_argument("--wave-min", type=float, default=90.0)
    ask.add_argument("--lags", nargs="*", default=list(LAGS))
    ask.add_argument("--nights", type=int, default=2)
    ask.add_argument("--targets", type=int, default=2)
    ask.add_argument("--story", action="store_true", help="nights in numbers, many in a minute")
    asked = ask.parse_args()
    if asked.story:
        print_story(asked.seeds, asked.nights)
        return
    print(
        "| lag, min | waves, degC | night | beyond the zone | worst night | runs a night | lights |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for lags in asked.lags:
        for wave_c in asked.waves_c:
            rows = [Row() for _ in range(asked.nights)]
            for seed in range(1, asked.seeds + 1):
                with tempfile.TemporaryDirectory() as name:
                    for number, row in enumerate(rows):
                        orders = cold_orders(
                            Path(name), "learned", asked.fall_c, 15_000 + 240 * number,
                            asked.targets, {"wave_c": wave_c, "wave_min": asked.wave_min},
                            LAGS[lags],
                        )  # fmt: skip
                        row.add(rehearse_night(
                            orders, Path(name) / "data", seed + 100 * number, EVENINGS[number % 2],
                        ))  # fmt: skip
            for number, row in enumerate(rows):
                print(
                    f"| {lags} | {wave_c:g} | {number + 1} | {100 * row.beyond / row.lights:.1f} % "
                    f"| {100 * row.worst:.0f} % | {row.runs / row.nights:.1f} | {row.lights} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
