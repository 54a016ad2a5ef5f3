"""Turn the camera to the rotation that a target's orders ask for."""

from __future__ import annotations

from typing import Protocol

from midwatch.api.duty import DutyContext, DutyFailedError, Notice, Rotate, stop_guiding

# Half a turn at a slow rotator's pace.
_TURN_S = 180.0
# The first turn shows which way the rotator counts, the second is then true; more only when it
# slips.
_MOST_TURNS = 4


class TurnOrder(Protocol):
    """What the orders say of a target's rotation."""

    @property
    def rotation_deg(self) -> float | None:
        """Position angle wanted, degrees; None where any will do."""

    @property
    def half_turn(self) -> str:
        """Whether a frame turned by 180 degrees is "equal" or "different"."""


def turn_error_deg(rotation_deg: float, order: TurnOrder) -> float:
    """Return by how much the frame must be turned from north through east, degrees.

    In (-180, 180], or in (-90, 90] where a half turn makes no difference. Zero where the orders
    want no rotation.
    """
    if order.rotation_deg is None:
        return 0.0
    whole = 180.0 if order.half_turn == "equal" else 360.0
    error = (order.rotation_deg - rotation_deg) % whole
    return error - whole if error > whole / 2.0 else error


class Turning:
    """The turns of the camera for one target."""

    def __init__(self, context: DutyContext, order: TurnOrder) -> None:
        self._context = context
        self._order = order
        self._within_deg = context.night.rig.centring.rotation_within_deg
        # +1 where a growing mechanical angle turns the frame from north through east.
        self._sense = 1.0
        self._before: tuple[float, float] | None = None
        self._turns = 0
        self._reported = False

    async def turn(self, rotation_deg: float) -> bool:
        """Turn the camera if it is not as ordered.

        Args:
            rotation_deg: position angle of the frame's upward axis, as just solved.

        Returns:
            Whether it was turned, so that another frame must show the result. Without a rotator
            it is not, and the journal says how far a person would have to turn it.

        Raises:
            DutyFailedError: the rotator does not bring the frame where it should.
        """
        error_deg = turn_error_deg(rotation_deg, self._order)
        if abs(error_deg) <= self._within_deg:
            return False
        rotator = self._context.rig.rotator
        if rotator is None:
            self._inform(rotation_deg, error_deg)
            return False
        if self._turns >= _MOST_TURNS:
            raise DutyFailedError(
                "rotator",
                "not_turned",
                f"after {self._turns} turns the frame is still {abs(error_deg):.1f} degrees off "
                f"(position angle {rotation_deg:.1f}, ordered {self._order.rotation_deg:g}): check "
                "whether the rotator slips",
            )
        device = self._context.device(rotator, "rotator")
        state = device.state
        if state is None:
            raise DutyFailedError("rotator", "silent", "the rotator has not reported yet")
        self._learn(rotation_deg)
        await stop_guiding(self._context)
        self._before = (rotation_deg, self._sense * error_deg)
        self._turns += 1
        angle_deg = (state.angle_deg + self._sense * error_deg) % 360.0
        await device.do(Rotate(angle_deg=angle_deg % 360.0), timeout_s=_TURN_S)
        try:
            await device.until(lambda state: not state.moving, timeout_s=20.0)
        except TimeoutError as error:
            raise DutyFailedError(
                "rotator", "not_turned", "the rotator does not come to rest; check it"
            ) from error
        return True

    def _learn(self, rotation_deg: float) -> None:
        """See from the last turn which way the rotator counts."""
        if self._before is None:
            return
        was_deg, mechanical_deg = self._before
        turned = (rotation_deg - was_deg + 180.0) % 360.0 - 180.0
        agree, against = (
            abs((turned - sign * mechanical_deg + 180.0) % 360.0 - 180.0) for sign in (1.0, -1.0)
        )
        self._sense = 1.0 if agree <= against else -1.0

    def _inform(self, rotation_deg: float, error_deg: float) -> None:
        if self._reported:
            return
        self._reported = True
        way = "from north through east" if error_deg > 0 else "from north through west"
        self._context.note(
            Notice(
                message=f"the frame's position angle is {rotation_deg:.1f} degrees, ordered is "
                f"{self._order.rotation_deg:g}; the rig has no rotator: turn the camera by "
                f"{abs(error_deg):.1f} degrees {way}"
            )
        )
