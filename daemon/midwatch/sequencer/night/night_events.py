"""What the engine writes into the journal about a night as a whole."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from midwatch.devices.client import RigClient
from midwatch.devices.contract.kinds import MountState
from midwatch.journal.facts import (
    CalibrationSkipped,
    Fact,
    NightBegan,
    NightEnded,
    Sample,
    TargetPlanned,
    TiesShuffled,
)
from midwatch.journal.record import NightRecord
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.sequencer.facts import calibration_needs

__all__ = ["Identity", "Sampler", "beginning", "ending", "free_gb", "unmatched"]

# Seconds between samples of the slow curves. More often, the journal grows; less often, curves
# lose what happened.
_SAMPLE_S = 300.0
# Clouds that come or go by so much are journaled at once. Less: noise; more: their edges are lost.
_CLOUD_PERCENT = 10.0
# Without these there are no calibration frames.
_OF_CALIBRATION = ("camera", "flat_panel", "filter_wheel", "disk")


@dataclass(frozen=True)
class Identity:
    """Facts of the night that the journal's first events report.

    Attributes:
        holder: of the lease.
        shuffle: seed of the order of what is due at the same instant; 0 where nothing is shuffled.
    """

    night: str
    seed: int | None
    rehearsal: bool
    sky_mode: str | None
    orders_sha256: str
    version: str
    holder: str
    shuffle: int = 0


def beginning(
    identity: Identity, plan: NightPlan, night: Night, *, resumed: bool
) -> Iterator[Fact]:
    """Yield that the orders were taken up, and what the sky allows for each target."""
    yield NightBegan(
        night=identity.night,
        site=night.site.name,
        rig=night.rig.name,
        evening=plan.evening.isoformat(),
        seed=identity.seed,
        rehearsal=identity.rehearsal,
        sky_mode=identity.sky_mode,
        dusk_utc_s=plan.dusk_s,
        dawn_utc_s=plan.dawn_s,
        orders_sha256=identity.orders_sha256,
        resumed=resumed,
        version=identity.version,
        holder=identity.holder,
    )
    if identity.shuffle:
        yield TiesShuffled(seed=identity.shuffle)
    for target in plan.targets:
        order = target.target.order
        ra_deg, dec_deg = target.target.position_at(target.transit_utc_s)
        yield TargetPlanned(
            target=target.target.name,
            ra_deg=ra_deg,
            dec_deg=dec_deg,
            priority=order.priority,
            wanted=tuple((f.filter, f.exposure_s, f.count) for f in order.frames),
            windows_utc_s=tuple((w.start_utc_s, w.end_utc_s) for w in target.windows),
            transit_utc_s=target.transit_utc_s,
            note=target.note,
        )


def free_gb(folder: Path, *, rehearsal: bool) -> float | None:
    """Return the free space where a folder is; None where that cannot, or must not, be read."""
    if rehearsal:
        return None  # a rehearsal must not depend on the disk of the machine it runs on
    try:
        return shutil.disk_usage(folder).free / 1e9
    except OSError:
        return None


def ending(rig: RigClient, mount: MountState | None, how: str) -> NightEnded:
    """Return how the night ended, and how it left the rig."""
    camera, roof = rig.camera.state, rig.roof
    return NightEnded(
        how=how,
        parked=mount is not None and mount.parked,
        warm=camera is not None and not camera.cooler_on,
        closed=roof is None or (roof.state is not None and roof.state.position == "closed"),
    )


def unmatched(night: Night, record: NightRecord, how: str) -> Iterator[Fact]:
    """Yield the sets of calibration frames that a night ends without, and why as far as is known.

    Args:
        night: what was ordered.
        record: the night, before its end.
        how: why the night ends.
    """
    needs = calibration_needs(night, record)
    held = [f.began for f in record.open_faults() if f.began.duty in ("calibrate", "prepare")]
    links = [f.began for f in record.open_faults() if f.began.duty is None]
    blamed = [f for f in (*held, *links) if f.device in _OF_CALIBRATION]
    why = "; ".join(f"{fault.device}: {fault.message}" for fault in blamed)
    for need in needs:
        yield CalibrationSkipped(
            frame=need.frame,
            filter=need.filter,
            exposure_s=need.exposure_s,
            gain=need.gain,
            offset=need.offset,
            binning=need.binning,
            sensor_c=need.sensor_c,
            missing=need.remaining,
            reason=why or f"the night ended before: {how}",
        )


class Sampler:
    """Takes the slow curves of a night: now and then, and when clouds come or go."""

    def __init__(self, rig: RigClient) -> None:
        self._rig = rig
        self._next_s = 0.0
        self._cloud_percent: float | None = None

    def take(self, now_s: float, mount: MountState | None) -> Sample | None:
        """Return the curves if a sample is due; asked at least every minute."""
        weather = self._rig.weather.state if self._rig.weather is not None else None
        cloud, before = weather.cloud_percent if weather else None, self._cloud_percent
        turned = cloud is not None and before is not None and abs(cloud - before) >= _CLOUD_PERCENT
        if now_s < self._next_s and not turned:
            return None
        if now_s >= self._next_s:
            self._next_s = now_s + _SAMPLE_S
        self._cloud_percent = cloud
        return _sample(self._rig, mount)


def _sample(rig: RigClient, mount: MountState | None) -> Sample:
    weather = rig.weather.state if rig.weather is not None else None
    guider = rig.guider.state if rig.guider is not None else None
    camera, focuser = rig.camera.state, rig.focuser.state
    guiding = guider is not None and guider.phase == "guiding"
    return Sample(
        air_c=weather.air_c if weather else None,
        sensor_c=camera.sensor_c if camera else None,
        cloud_percent=weather.cloud_percent if weather else None,
        wind_ms=weather.wind_ms if weather else None,
        guide_rms_ra_arcsec=guider.rms_ra_arcsec if guider and guiding else None,
        guide_rms_dec_arcsec=guider.rms_dec_arcsec if guider and guiding else None,
        focus_position=focuser.position if focuser else None,
        altitude_deg=mount.alt_deg if mount is not None and mount.tracking else None,
        unguided_blur_60s_arcsec=guider.unguided_blur_60s_arcsec if guider and guiding else None,
        focuser_c=focuser.temperature_c if focuser and not rig.focuser.down else None,
    )
