"""When a driver that has ended is started again: soon at first, more slowly if it keeps dying."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Restart", "RestartRule", "Supervision"]


@dataclass(frozen=True)
class RestartRule:
    """How eager to be.

    Attributes:
        first_pause_s: before the first restart; doubled with each further one in a row.
        longest_pause_s: the pause grows no longer. Too short: a driver that dies at once keeps
            the machine busy; too long: a device that could work again stays away.
        steady_s: a driver that has run this long has recovered, and counts from the beginning.
        loop_after: restarts in a row from which a crash loop is reported to people.
        memory_mb: a process that holds more is ended and started again.
    """

    first_pause_s: float = 1.0
    longest_pause_s: float = 300.0
    steady_s: float = 300.0
    loop_after: int = 4
    memory_mb: float = 1500.0


@dataclass(frozen=True)
class Restart:
    """The verdict on a driver that has ended.

    Attributes:
        pause_s: to wait before it is started again.
        in_a_row: restarts since it last ran steadily, this one included.
        looping: it keeps dying soon after each start.
    """

    pause_s: float
    in_a_row: int
    looping: bool


@dataclass
class Supervision:
    """Remembers how often one device's driver has died; is given times, and asked for pauses."""

    rule: RestartRule = field(default_factory=RestartRule)
    in_a_row: int = 0

    def ended(self, ran_s: float) -> Restart:
        """Take in that the driver has ended by itself after running for a time."""
        if ran_s >= self.rule.steady_s:
            self.in_a_row = 0
        self.in_a_row += 1
        pause_s = self.rule.first_pause_s * 2.0 ** min(self.in_a_row - 1, 30)
        return Restart(
            min(pause_s, self.rule.longest_pause_s),
            self.in_a_row,
            self.in_a_row >= self.rule.loop_after,
        )

    def too_large(self, memory_mb: float) -> bool:
        """Return whether a process of this size must be restarted."""
        return memory_mb > self.rule.memory_mb
