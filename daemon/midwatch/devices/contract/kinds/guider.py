"""State and commands of a guider."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind, Model


class GuiderState(DeviceState):
    """State of a guider; lengths are on the sky, None where there is not enough to say.

    Attributes:
        rms_ra_arcsec: of where the stars were seen, seeing included, over some minutes.
        rms_total_arcsec: both axes in quadrature.
        stars: used in the last measurement.
        mount_rms_arcsec: estimated wander of the mount alone.
        seeing_rms_arcsec: estimated wander that the mount has no part in, one axis.
        overcorrection_ra: 0 is what independent errors give, 1 each correction undoing the last.
        drift_ra_arcsec_min: of the uncorrected mount, towards the east.
        drift_dec_arcsec_min: of the uncorrected mount, towards the north.
        period_s: of the periodic error that was found.
        periodic_amplitude_arcsec: half of its peak to peak.
        unguided_blur_60s_arcsec: rms blur that a minute without corrections would leave.
        cycles: exposures that were measured since guiding began.
        refused_pulses: corrections that the mount did not take since then.
    """

    phase: Literal["idle", "calibrating", "guiding", "settling", "lost"] = "idle"
    calibrated: bool = False
    rms_ra_arcsec: float | None = None
    rms_dec_arcsec: float | None = None
    star_snr: float | None = None
    error_arcsec: float | None = None
    rms_total_arcsec: float | None = None
    stars: int | None = None
    mount_rms_arcsec: float | None = None
    seeing_rms_arcsec: float | None = None
    overcorrection_ra: float | None = None
    overcorrection_dec: float | None = None
    drift_ra_arcsec_min: float | None = None
    drift_dec_arcsec_min: float | None = None
    period_s: float | None = None
    periodic_amplitude_arcsec: float | None = None
    unguided_blur_60s_arcsec: float | None = None
    cycles: int = 0
    refused_pulses: int = 0


class Settle(Model):
    """When a guided rig counts as settled: the error stays under a bound for some time."""

    under_arcsec: float = Field(gt=0)
    hold_s: float = Field(gt=0)
    timeout_s: float = Field(gt=0)


class StartGuiding(Command[None]):
    """Choose stars, calibrate if needed, guide; answers when settled."""

    command = "start_guiding"
    kind = Kind.GUIDER
    settle: Settle
    recalibrate: bool = False


class StopGuiding(Command[None]):
    """Stop correcting the mount."""

    command = "stop_guiding"
    kind = Kind.GUIDER
    interrupts = True


class Dither(Command[None]):
    """Shift the guiding target by this much on the sky; answers when settled there."""

    command = "dither"
    kind = Kind.GUIDER
    east_arcsec: float
    north_arcsec: float
    settle: Settle
