"""A simulated person at the knobs of the mount's base, who does what guidance says, roughly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from pydantic import ConfigDict, ValidationError

from midwatch.clock import Clock
from midwatch.devices.contract import DriverContext, Facts, Model
from midwatch_simulators.base import normal, unit

# People turn too little rather than too much, and
# what they push the one way goes a little the other as well. Common practice, no source.
_USUAL_SHARE, _SHARE_SPREAD = 0.85, 0.15
_CROSS_TALK = 0.03
_SHORTEST_S, _LONGEST_S = 3.0, 9.0


class Guidance(Model):
    """What guidance says is to be done at both knobs; see the event ``guidance`` of ``polar``."""

    model_config = ConfigDict(extra="ignore")

    altitude_towards: Literal["up", "down"]
    altitude_amount_arcmin: float
    azimuth_towards: Literal["east", "west"]
    azimuth_amount_arcmin: float
    done: bool = False


class KnobTurner:
    """Turns one knob at a time, the one that is farther off, and waits for news in between.

    Args:
        context: of the mount on the base.
        seed: of everything that the person does.
        turn: moves the axis up and east by arcminutes.
    """

    def __init__(
        self, context: DriverContext, seed: int, turn: Callable[[float, float], None]
    ) -> None:
        self._clock: Clock = context.clock
        self._seed = seed
        self._turn = turn
        self._turns = 0
        self._busy_until_s = 0.0
        self._spawn = context.spawn
        context.watch("polar", "guidance", self._hear)

    def _hear(self, facts: Facts) -> None:
        try:
            said = Guidance.model_validate(dict(facts))
        except ValidationError:
            # A foreign message under this name.
            return
        now_s = self._clock.mono()
        if said.done or now_s < self._busy_until_s:
            return
        self._turns += 1
        spread = unit(self._seed, "time", self._turns)
        turning_s = _SHORTEST_S + (_LONGEST_S - _SHORTEST_S) * spread
        # What is shown while the knob turns, or just after, is not yet about its end.
        self._busy_until_s = now_s + 2.5 * turning_s
        self._spawn(f"turn of a knob {self._turns}", self._work(said, turning_s, self._turns))

    async def _work(self, said: Guidance, turning_s: float, number: int) -> None:
        await self._clock.sleep(turning_s)
        share = _USUAL_SHARE + _SHARE_SPREAD * normal(self._seed, "share", number)
        up = said.altitude_amount_arcmin * (1.0 if said.altitude_towards == "up" else -1.0)
        east = said.azimuth_amount_arcmin * (1.0 if said.azimuth_towards == "east" else -1.0)
        if abs(up) >= abs(east):
            pushed = share * up
            self._turn(pushed, _CROSS_TALK * pushed * normal(self._seed, "push", number))
        else:
            pushed = share * east
            self._turn(_CROSS_TALK * pushed * normal(self._seed, "push", number), pushed)
