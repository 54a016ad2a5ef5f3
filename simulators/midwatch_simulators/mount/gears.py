"""What lies between a motor and the axis that it turns: play of the gear and stiction."""

from __future__ import annotations

from pydantic import JsonValue


class Gear:
    """An axis behind a gear with play, on a bearing that sticks.

    After a reversal the motor first crosses the play. Then the axis holds until the drive is wound
    up by `stick_arcsec`, and jumps by all of that; after it, it follows to the next reversal.

    Args:
        play_arcsec: lost at each reversal, and by the first way towards positive.
        stick_arcsec: held back at each reversal beyond the play, then let go at once.
    """

    def __init__(self, play_arcsec: float, stick_arcsec: float = 0.0) -> None:
        self._play_arcsec = play_arcsec
        self._stick_arcsec = stick_arcsec
        self._crossed_arcsec = 0.0
        self._wound_arcsec = 0.0
        self._way = -1.0

    def save(self) -> list[JsonValue]:
        """Return what `load` goes on from."""
        return [self._crossed_arcsec, self._wound_arcsec, self._way]

    def load(self, kept: tuple[float, float, float]) -> None:
        """Go on from what `save` returned."""
        self._crossed_arcsec, self._wound_arcsec, self._way = kept

    def turn(self, arcsec: float) -> float:
        """Turn the motor and return how far the axis goes."""
        place = self._crossed_arcsec + arcsec
        self._crossed_arcsec = min(max(place, 0.0), self._play_arcsec)
        driven = place - self._crossed_arcsec
        if driven == 0.0:
            return 0.0
        if driven * self._way > 0.0 and self._wound_arcsec == 0.0:
            return driven
        self._wound_arcsec += driven
        if self._wound_arcsec * self._way < 0.0:
            # Wound up against the way that the axis last went.
            if abs(self._wound_arcsec) < self._stick_arcsec:
                return 0.0
            self._way = -self._way
        moved, self._wound_arcsec = self._wound_arcsec, 0.0
        return moved
