"""What the guider did while the shutter was open, not only when it closed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import DeviceState
from midwatch.devices.contract.kinds import CameraState, GuiderState

__all__ = ["Guidance", "GuideWatch"]

# A frame counts as guided when the guider held its star for this share of the exposure.
_GUIDED_SHARE = 0.9


@dataclass(frozen=True)
class Guidance:
    """Guiding during one exposure.

    Attributes:
        guided: whether the star was held for (nearly) all of it.
        rms_arcsec: of both axes together, weighted by time; None where the guider reported none.
        lost_percent: of the exposure, without the star; None where guiding was off at its start, or
            where the guider or its camera had lost its hardware: then only the stars can show what
            that did, while a guider that sees no star indicates cloud.
    """

    guided: bool = False
    rms_arcsec: float | None = None
    lost_percent: float | None = None


@dataclass
class GuideWatch:
    """Follows a guider's states from `begin` to `end`; harmless without a guider.

    Attributes:
        eye: the camera that the guider looks through, where it is a device of its own.
    """

    clock: Clock
    guider: DeviceClient[GuiderState] | None
    eye: DeviceClient[CameraState] | None = None
    _began_on: bool = False
    _since_s: float = 0.0
    _held: bool = False
    _gone: bool = False
    _rms_arcsec: float | None = None
    _whole_s: float = 0.0
    _held_s: float = 0.0
    _weighted: float = 0.0
    _weight_s: float = 0.0
    _stop: Callable[[], None] | None = None

    def begin(self) -> None:
        """The shutter opens."""
        if self.guider is None:
            return
        self._since_s = self.clock.mono()
        self._note(self.guider)
        self._began_on = self._held
        self._stop = self.guider.listen(self._changed)

    def end(self) -> None:
        """The shutter closes; harmless to repeat."""
        if self._stop is not None:
            self._changed()
            self._stop()
            self._stop = None

    def guidance(self) -> Guidance:
        """Return what was seen between the two."""
        if not self._began_on:
            return Guidance()
        held = self._held_s / self._whole_s if self._whole_s > 0.0 else float(self._held)
        rms = math.sqrt(self._weighted / self._weight_s) if self._weight_s > 0.0 else None
        return Guidance(
            guided=held >= _GUIDED_SHARE,
            rms_arcsec=self._rms_arcsec if rms is None else rms,
            lost_percent=None if self._gone else round(100.0 * (1.0 - held), 3),
        )

    def _changed(self) -> None:
        """Account the time since the last change to what held then."""
        assert self.guider is not None
        now_s = self.clock.mono()
        took_s, self._since_s = now_s - self._since_s, now_s
        self._whole_s += took_s
        if self._held:
            self._held_s += took_s
            if self._rms_arcsec is not None:
                self._weighted += took_s * self._rms_arcsec**2
                self._weight_s += took_s
        self._note(self.guider)

    def _note(self, guider: DeviceClient[GuiderState]) -> None:
        state = None if guider.down else guider.state
        self._gone = self._gone or any(
            client is not None and _is_gone(client) for client in (guider, self.eye)
        )
        self._held = state is not None and state.phase in ("guiding", "settling")
        if state is not None and state.rms_ra_arcsec is not None:
            self._rms_arcsec = math.hypot(state.rms_ra_arcsec, state.rms_dec_arcsec or 0.0)


def _is_gone(client: DeviceClient[DeviceState]) -> bool:
    return client.state is not None and not client.state.connected
