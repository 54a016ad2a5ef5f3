"""Levels to states: trip and clear thresholds, settle times, missing data.

A guard looks at levels, not at edges: one whose level is already beyond the threshold when it is
installed trips.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from midwatch.sequencer.facts.lookout import Reading

Status = Literal["clear", "tripped", "unknown"]


@dataclass
class Guard:
    """One condition with hysteresis.

    Attributes:
        trip: level at or beyond which it trips.
        clear: level at or beyond which, on the other side, it clears; equal to trip for none.
        for_s: how long a level must last before the status follows.
        missing: status while there are no data; "unknown" keeps a tripped guard tripped.
    """

    trip: float
    clear: float
    for_s: float = 0.0
    missing: Literal["unknown", "tripped"] = "unknown"
    status: Status = "unknown"
    _wanted: Status | None = None
    _wanted_since_s: float = 0.0

    def update(self, reading: Reading, now_s: float) -> bool:
        """Take a reading and return whether the status changed."""
        wanted = self._wants(reading.level)
        if wanted == self.status:
            self._wanted = None
            return False
        if wanted != self._wanted:
            self._wanted, self._wanted_since_s = wanted, now_s
        if self.status != "unknown" and now_s - self._wanted_since_s < self.for_s:
            return False
        self.status, self._wanted = wanted, None
        return True

    def _wants(self, level: float | None) -> Status:
        if level is None:
            if self.missing == "tripped":
                return "tripped"
            return "tripped" if self.status == "tripped" else "unknown"
        rising = self.trip >= self.clear
        beyond = level >= self.trip if rising else level <= self.trip
        back = level <= self.clear if rising else level >= self.clear
        if beyond:
            return "tripped"
        if back or self.status != "tripped":
            return "clear"
        return "tripped"
