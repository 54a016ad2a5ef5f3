"""The machine-readable summary of a night: the schema of ``night.json``, version 1.

Times are ISO 8601 UTC, angles degrees, durations seconds. New fields may be added within a
version; a field that changes its meaning or goes raises it.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from midwatch.journal.facts import Grade
from midwatch.journal.promises import Promise

__all__ = [
    "CalibrationMissing",
    "ExposureSummary",
    "FaultSummary",
    "FlipSummary",
    "FocusSummary",
    "FrameSummary",
    "HorizonSummary",
    "NightSummary",
    "OrderSummary",
    "RemedySummary",
    "TargetSummary",
    "Yield",
]

SCHEMA_VERSION = 1


class _Part(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )


class OrderSummary(_Part):
    """One frame order of a target."""

    filter: str | None = Field(description="Filter; null for a rig without a wheel")
    exposure_s: float = Field(description="Ordered exposure time of one frame")
    wanted: int = Field(description="Ordered number of accepted frames")
    accepted: int = Field(description="Frames accepted")
    rejected: int = Field(description="Frames rejected")
    doubtful: int = Field(description="Frames kept with doubt")
    counted: int = Field(
        default=0,
        description="Whole frames that count towards the order: accepted, and doubtful where "
        "ordered so; shorter ones by the share of the ordered exposure",
    )
    integration_s: float = Field(description="Exposure time of the accepted frames")


class TargetSummary(_Part):
    """One target; the counts are those of its light frames."""

    name: str
    ra_deg: float = Field(description="Right ascension, ICRS")
    dec_deg: float = Field(description="Declination, ICRS")
    wanted: int
    accepted: int
    rejected: int
    doubtful: int
    lost: int = Field(description="Exposures that never became a frame")
    integration_s: float = Field(description="Exposure time of the accepted frames")
    windows: list[tuple[str, str]] = Field(description="When the target could be exposed")
    transit: str | None = Field(description="When it crossed the meridian")
    note: str | None = None
    orders: list[OrderSummary]


class FrameSummary(_Part):
    """One exposure, whatever became of it; measures are null where they could not be had."""

    exposure_id: str
    frame: str = Field(description="light, dark, flat or bias")
    state: Literal["begun", "read", "filed", "graded", "lost"] = Field(
        description="How far it came"
    )
    target: str | None
    order_index: int | None = Field(description="Index of the frame order that it serves")
    filter: str | None
    began: str
    exposure_s: float
    gain: int
    offset: int
    binning: int
    path: str | None = Field(description="File, relative to the folder of the night")
    sha256: str | None = Field(description="Digest of the file")
    grade: Grade | None
    reasons: list[str] = Field(description="Why it was rejected, doubted or lost")
    stars: int | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    altitude_deg: float | None = None
    focus_position: int | None = None
    sensor_c: float | None = None
    sensor_off_c: float | None = Field(
        default=None, description="Temperature of the sensor above its set point"
    )
    sensor_drift_c: float | None = Field(
        default=None, description="By which the sensor grew warmer during the exposure"
    )
    offset_arcsec: float | None = Field(
        default=None, description="Distance of the field from the target"
    )
    first_grade: Grade | None = Field(
        default=None,
        description="Grade in the file's header, where a later look with more frames changed it",
    )
    compared: int = Field(default=0, description="Other frames with which it was compared")
    counts: bool = Field(default=False, description="Whether it counts towards its order")
    noise_adu: float | None = Field(default=None, description="Noise of a background pixel")
    airmass: float | None = None
    star_share: float | None = Field(
        default=None,
        description="Stars compared with those expected from the other frames; 1 is usual",
    )
    elongation_pa_deg: float | None = Field(
        default=None, description="Position angle of the stars' long axis, east of north"
    )
    sky_mag: float | None = Field(
        default=None,
        description="Sky of a dark site under this Moon and Sun, V magnitudes a square arcsecond",
    )
    full_scale_adu: int | None = Field(default=None, description="Level at which a pixel is full")
    saturated_percent: float | None = Field(default=None, description="Share of full pixels")
    saturated_stars: int | None = None
    trails: int | None = Field(default=None, description="Trails of satellites and aircraft")
    guide_lost_percent: float | None = Field(
        default=None, description="Share of the exposure without the guide star"
    )
    wind_ms: float | None = None
    electrons_per_adu: float | None = None


class FocusSummary(_Part):
    """One focus run."""

    at: str
    ok: bool
    trigger: str = Field(description="What asked for it")
    reason: str = Field(description="How it went")
    filter: str | None
    positions: list[int] = Field(description="Sampled focuser positions, steps")
    hfr_px: list[float] = Field(description="Star size at each position")
    best_position: int | None
    uncertainty_steps: float | None
    best_hfr_px: float | None
    temperature_c: float | None
    hfr_sigma_px: list[float] = Field(default=[], description="Error of each star size")
    spoiled: list[str] = Field(default=[], description="What spoiled each sample, or empty")
    exposures: int = Field(default=0, description="All frames of the run")
    coarse: bool = Field(default=False, description="Focus had to be found from far off first")
    quality: float | None = Field(default=None, description="Share of scatter explained, 0 to 1")
    critical_zone_steps: float | None = Field(
        default=None, description="Total depth of the critical focus zone"
    )
    confirmed_hfr_px: float | None = Field(default=None, description="At the best position")
    foretold_position: float | None = Field(
        default=None, description="Where the focus model expected it before the run, steps"
    )
    foretold_sigma_steps: float | None = Field(default=None, description="Error of that")


class FlipSummary(_Part):
    """One meridian flip."""

    at: str
    target: str
    ok: bool
    hour_angle_deg: float
    from_side: str
    to_side: str


class RemedySummary(_Part):
    """One remedy tried against a fault."""

    at: str
    remedy: str
    attempt: int
    outcome: str
    reason: str | None


class FaultSummary(_Part):
    """One fault, from its beginning to its end; `ended` is null while it is open."""

    fault_id: str
    device: str
    kind: str
    message: str
    began: str
    ended: str | None
    how: str | None = Field(description="How it went away")
    remedies: list[RemedySummary]
    lost_s: int = Field(
        description="Dark seconds that brought no frame because of it: down, getting ready again, "
        "and frames rejected or never read out meanwhile"
    )


class Yield(_Part):
    """How much of what the sky offered was used."""

    open_shutter_s: int = Field(description="Seconds between dusk and dawn with open shutter")
    usable_s: int = Field(description="Seconds in which a target was inside its windows, and safe")
    fraction: float | None = Field(description="Their ratio; null where nothing was usable")
    had_s: float | None = Field(
        default=None,
        description="Integration of accepted frames, of no target more than was ordered; this and "
        "what follows only in rehearsals, which know their faults",
    )
    bound_s: float | None = Field(
        default=None,
        description="What a plan that knew the night beforehand could have had of it at most",
    )
    kept: float | None = Field(
        default=None, description="Their ratio; null where nothing could be had"
    )
    clairvoyant: float | None = Field(
        default=None, description="The bound as a share of the usable seconds"
    )


class CalibrationMissing(_Part):
    """A set of calibration frames that lights of the night are without."""

    frame: str
    filter: str | None
    exposure_s: float = Field(description="Of darks; 0 else")
    gain: int
    offset: int
    binning: int
    sensor_c: float | None = Field(description="Of the lights that darks were to match")
    missing: int = Field(description="How many frames")
    reason: str

    @property
    def words(self) -> str:
        """The set in words, as "5 darks of 300 s at -10 degC (gain 100, offset 50)"."""
        kind = self.frame if self.frame == "bias" or self.missing == 1 else f"{self.frame}s"
        length = f" of {self.exposure_s:g} s" if self.frame == "dark" else ""
        warmth = "" if self.sensor_c is None else f" at {self.sensor_c:.1f} degC"
        through = f" through {self.filter}" if self.filter else ""
        setting = f"gain {self.gain}, offset {self.offset}, bin {self.binning}"
        return f"{self.missing} {kind}{length}{through}{warmth} ({setting})"


class ExposureSummary(_Part):
    """What the exposures of one frame order are worth; null where something is not known."""

    target: str
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    frames: int = Field(description="Accepted frames from which this was taken")
    sky_e_s: float | None = Field(description="Sky in one pixel, electrons a second")
    read_noise_e: float | None = Field(
        description="Of one pixel and frame, by pairs of bias frames or the rig file"
    )
    pedestal_adu: float | None = Field(description="Level of a frame without light")
    electrons_per_adu: float | None = Field(description="As the camera says")
    shortest_sub_s: float | None = Field(
        description="Exposure from which on read noise raises the noise by less than 5 percent"
    )
    noise_rise_percent: float | None = Field(description="By which it does at this exposure")
    saturated_stars_percent: float | None
    snr_taken: float | None = Field(
        description="Signal to noise in one pixel of something 3 magnitudes fainter than the sky, "
        "after the accepted frames"
    )
    snr_wanted: float | None = Field(description="The same after all frames that were ordered")
    missing: str = Field(description="What is not known; empty where all is")


class HorizonSummary(_Part):
    """What frames of all nights saw in one range of azimuth in which some were hidden."""

    az_from_deg: float
    az_to_deg: float
    hidden: int = Field(description="Frames without stars that cloud does not explain")
    seen: int = Field(description="Frames with stars")
    nights: int = Field(description="Nights on which any were hidden")
    hidden_to_deg: float | None = Field(description="Highest altitude of the hidden frames")
    seen_from_deg: float | None = Field(description="Lowest altitude with stars above that")
    declared_deg: float = Field(description="Horizon of the site file here, at its highest")
    proposed_deg: float | None = Field(
        description="What it should be; null where the evidence is too thin"
    )


class TrafficSummary(_Part):
    """What came to one device, to the daemon or to the operator's page and led to nothing."""

    device: str
    since: str = Field(description="From when on they were counted: the start of its driver")
    counts: dict[str, int] = Field(
        description="By the reason: malformed, oversized, unknown (command), bad_args, expired, "
        "duplicate, no_lease, busy, retained; lease_malformed and lease_refused; of the daemon "
        "devices_malformed (states, events and answers that were not understood); of the page "
        "wrong_password, too_many_tries, not_signed_in, wrong_form, cross_site, foreign_host and "
        "malformed_request"
    )


class NightSummary(_Part):
    """One night of one rig."""

    schema_version: int = Field(default=SCHEMA_VERSION, alias="schema")
    midwatch: str = Field(description="Version of the program")
    night: str
    evening: str = Field(description="Local date of the evening")
    site: str
    rig: str
    rehearsal: bool
    sky_mode: str | None = Field(description="How a rehearsal made its frames")
    seed: int | None = Field(description="Seed of a rehearsal")
    orders_sha256: str
    began: str
    ended: str | None = Field(description="Null while the night runs, or if it never ended")
    how: str | None = Field(description="Why it ended")
    restarts: int = Field(description="How often a new daemon took the night over")
    dusk: str = Field(description="Beginning of the dark hours ordered")
    dawn: str = Field(description="Their end")
    usable_s: int
    ledger: dict[str, int] = Field(description="Seconds by cause; they add up to dawn minus dusk")
    targets: list[TargetSummary]
    frames: list[FrameSummary]
    focus_runs: list[FocusSummary]
    flips: list[FlipSummary]
    faults: list[FaultSummary]
    decisions: int = Field(description="Decisions made")
    promises: list[Promise]
    yield_: Yield = Field(alias="yield")
    journal_digest: str = Field(description="Digest of every event of the night and its moment")
    exposures: list[ExposureSummary] = Field(
        default=[], description="What the exposures of each frame order are worth"
    )
    turned_away: list[TrafficSummary] = Field(
        default=[], description="Messages on the bus that led to nothing, where there were any"
    )
    calibration_missing: list[CalibrationMissing] = Field(
        default=[], description="Calibration frames that were ordered and could not be taken"
    )
    horizon_seen: list[HorizonSummary] = Field(
        default=[], description="Where frames of all nights saw no stars though it was clear"
    )
