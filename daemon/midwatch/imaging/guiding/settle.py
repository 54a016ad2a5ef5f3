"""When a guided rig counts as settled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["SettleOutcome", "SettleRule", "SettleWatch"]

SettleOutcome = Literal["waiting", "settled", "timed_out"]


@dataclass(frozen=True)
class SettleRule:
    """The error stays under a bound for some time.

    Attributes:
        under_arcsec: Bound of the distance from the target.
        hold_s: For how long it must stay below.
        timeout_s: From the beginning, after which waiting ends.
        smoothed: Judge the loop's estimate of the mount's error instead of each measurement. In
            poor seeing single measurements exceed a tight bound although the mount is at rest.
    """

    under_arcsec: float
    hold_s: float
    timeout_s: float
    smoothed: bool = False

    def __post_init__(self) -> None:
        if not (self.under_arcsec > 0 and self.hold_s >= 0 and self.timeout_s > 0):
            raise ValueError(f"a settle rule needs positive bounds, not {self}")


class SettleWatch:
    """Judges measurements one by one against a rule."""

    def __init__(self, rule: SettleRule, began_s: float) -> None:
        self._rule = rule
        self._began_s = began_s
        self._under_since_s: float | None = None

    @property
    def rule(self) -> SettleRule:
        """The rule that is watched."""
        return self._rule

    def inform(
        self, now_s: float, measured_arcsec: float | None, estimated_arcsec: float | None
    ) -> SettleOutcome:
        """Take in a cycle.

        Args:
            now_s: When it was.
            measured_arcsec: Distance from the target in the frame; None without a star, which
                counts as not settled.
            estimated_arcsec: The loop's estimate of the mount's own distance.

        Returns:
            "settled" once the distance has stayed below the bound for `hold_s`, else "timed_out"
            from the rule's time-out on, else "waiting".
        """
        distance = estimated_arcsec if self._rule.smoothed else measured_arcsec
        if measured_arcsec is None or distance is None or distance >= self._rule.under_arcsec:
            self._under_since_s = None
        elif self._under_since_s is None:
            self._under_since_s = now_s
        since = self._under_since_s
        if since is not None and now_s - since >= self._rule.hold_s:
            return "settled"
        return "timed_out" if now_s - self._began_s >= self._rule.timeout_s else "waiting"
