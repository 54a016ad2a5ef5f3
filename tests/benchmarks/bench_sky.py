"""Speed of the sky, against what the night can afford; run it by hand: it prints a table.

Exit code 1 if a budget is passed. Best of several rounds, first use (tables, caches) excluded.
"""

from __future__ import annotations

import subprocess
import sys
import timeit
from collections.abc import Callable
from datetime import date, timedelta
from itertools import count

import numpy as np

from midwatch.sky import (
    Fixed,
    Horizon,
    LimitCheck,
    MountLimits,
    Observer,
    Place,
    night_events,
    seconds_until_breach,
    sky_brightness_mag,
    track,
    visible_windows,
)
from midwatch.sky.mounts.german import GermanEquatorial

OBSERVER = Observer(Place(51.75, -1.25, 100.0))
HORIZON = Horizon.from_pairs([(0, 20), (90, 35), (135, 15), (180, 12), (225, 30), (300, 40)])
LIMITS = MountLimits(HORIZON, 15.0, geometry=GermanEquatorial(5.0))
DUSK, DAWN = 1797098346.0, 1797141536.0  # 2026-12-12
TIMES = np.linspace(DUSK, DAWN, 600)
RA, DEC = 83.822085, -5.39111
CHECK = LimitCheck(OBSERVER, LIMITS)
QUICK = OBSERVER.quick(DUSK + 3600.0)
DAYS = (date(2026, 1, 1) + timedelta(days=d) for d in count())

CASES: list[tuple[str, float, int, Callable[[], object]]] = [
    ("events of a night, each a new one", 50.0, 5, lambda: _night(next(DAYS))),
    ("visible windows of a target", 10.0, 20, lambda: _windows(None)),
    ("the same with the Moon kept away", 10.0, 10, lambda: _windows(30.0)),
    ("track of 600 points", 3.0, 20, lambda: track(OBSERVER, Fixed(RA, DEC), TIMES, HORIZON)),
    ("sky brightness at 600 times", 3.0, 10, lambda: _brightness()),
    ("time until a breach, 12 h ahead", 10.0, 10, lambda: _time_left()),
    ("limit check", 0.1, 2000, lambda: CHECK.breach(RA, DEC, DUSK + 14000.0, "west")),
    ("quick direction", 0.015, 5000, lambda: QUICK.altaz_ha(RA, DEC, DUSK)),
    ("one full direction", 0.5, 500, lambda: OBSERVER.altaz(RA, DEC, DUSK)),
]


def _night(evening: date) -> object:
    return night_events(OBSERVER, evening, "Europe/London")


def _windows(moon_min_sep_deg: float | None) -> object:
    return visible_windows(OBSERVER, Fixed(RA, DEC), DUSK, DAWN, HORIZON, 15.0, moon_min_sep_deg)


def _brightness() -> object:
    return sky_brightness_mag(OBSERVER, RA, DEC, TIMES, 21.5)


def _time_left() -> object:
    return seconds_until_breach(OBSERVER, LIMITS, RA, DEC, DUSK + 14000.0, "west")


def _import_ms() -> float:
    code = (
        "import time, numpy; t = time.perf_counter(); import midwatch.sky;"
        "print((time.perf_counter() - t) * 1e3)"
    )
    command = [sys.executable, "-c", code]
    runs = [subprocess.run(command, capture_output=True, check=True) for _ in range(3)]
    return min(float(run.stdout) for run in runs)


def main() -> int:
    results = [("import after numpy", 250.0, _import_ms())]
    for name, budget_ms, number, work in CASES:
        work()
        best = min(timeit.repeat(work, number=number, repeat=5)) / number
        results.append((name, budget_ms, best * 1e3))
    for name, budget_ms, took_ms in results:
        verdict = "ok" if took_ms <= budget_ms else "OVER"
        print(f"{name:36s} {took_ms:10.4f} ms   budget {budget_ms:8.3f} ms   {verdict}")
    return int(any(took_ms > budget_ms for _, budget_ms, took_ms in results))


if __name__ == "__main__":
    sys.exit(main())
