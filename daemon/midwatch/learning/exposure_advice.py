"""Advice on exposures, from what the frames of the night, and of those before, have measured."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from midwatch.imaging import shortest_sub_s, signal_to_noise, sky_rate_e_s
from midwatch.journal.facts import (
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameRead,
    FrameRegraded,
    SensorMeasured,
)
from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.journal.store import Event

__all__ = [
    "NOISE_RISE",
    "OBJECT_BELOW_SKY_MAG",
    "ExposureAdvice",
    "SensorFacts",
    "SkyFacts",
    "advise",
    "learn_sky",
    "measure_sensor",
]

# By so much read noise may raise the noise of a stack. Common practice, no source.
NOISE_RISE = 0.05
# Surface brightness for which signal to noise is given: so many magnitudes fainter than the sky of
# the frames, a sixteenth of its light, as the outer parts of galaxies and nebulae are.
OBJECT_BELOW_SKY_MAG = 3.0
# Frames of a kind, the latest, from which the sky's rate is taken.
_LATEST = 60

_Setting = tuple[int, int, int]  # gain, offset, binning
# All that is needed of a night to know its frames and their last grades.
_OF_FRAMES = (FrameBegun, FrameRead, FrameFiled, FrameGraded, FrameRegraded)


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """What is known of a sensor at one setting; None where it was neither measured nor given.

    Attributes:
        pedestal_adu: Level of a frame without light and time.
        read_noise_e: Of one pixel and frame.
        dark_e_s: Dark current of one pixel at the temperature of the dark frames.
        measured: Whether read noise comes from pairs of bias frames, not from the rig file.
    """

    pedestal_adu: float | None = None
    read_noise_e: float | None = None
    dark_e_s: float | None = None
    measured: bool = False


@dataclass(frozen=True, slots=True)
class SkyFacts:
    """What the sky gives a pixel through a filter, by the accepted frames of earlier nights."""

    sky_e_s: float
    read_noise_e: float
    shortest_sub_s: float
    frames: int


@dataclass(frozen=True, slots=True)
class ExposureAdvice:
    """What one frame order's exposures are worth; None where something needed is not known.

    Attributes:
        sky_e_s: Median over the accepted frames, electrons a second in a pixel.
        shortest_sub_s: From which on read noise raises the noise by less than `NOISE_RISE`.
        noise_rise_percent: By which read noise does raise it at the ordered exposure.
        saturated_stars_percent: Median share of the stars that are full.
        snr_taken: Signal to noise in one pixel of something `OBJECT_BELOW_SKY_MAG` fainter than
            the sky, after the accepted frames; snr_wanted likewise after all that were ordered.
        missing: What is not known, for a person; empty where all is.
    """

    target: str
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    frames: int
    sky_e_s: float | None
    read_noise_e: float | None
    pedestal_adu: float | None
    electrons_per_adu: float | None
    shortest_sub_s: float | None
    noise_rise_percent: float | None
    saturated_stars_percent: float | None
    snr_taken: float | None
    snr_wanted: float | None
    missing: str


def measure_sensor(
    events: Iterable[Event],
    setting: _Setting,
    read_noise_e: float | None = None,
    pedestal_adu: float | None = None,
) -> SensorFacts:
    """Return what bias and dark frames say about a sensor at a gain, offset and binning.

    Args:
        events: Of any nights; the last night that has bias frames at the setting counts.
        setting: Gain, offset and binning.
        read_noise_e: From the rig file, for want of pairs.
        pedestal_adu: Likewise.
    """
    facts = [
        (event.night, event.fact)
        for event in events
        if isinstance(event.fact, SensorMeasured)
        and (event.fact.gain, event.fact.offset, event.fact.binning) == setting
    ]
    nights = [night for night, fact in facts if fact.frame == "bias"]
    bias = [f for night, f in facts if f.frame == "bias" and night == nights[-1]]
    noises = [
        f.pair_noise_adu * f.electrons_per_adu
        for f in bias
        if f.pair_noise_adu is not None and f.electrons_per_adu is not None
    ]
    if bias:
        pedestal_adu = statistics.median(f.level_adu for f in bias)
    darks = [
        max(0.0, (f.level_adu - pedestal_adu) * f.electrons_per_adu / f.exposure_s)
        for night, f in facts
        if f.frame == "dark"
        and nights
        and night == nights[-1]
        and f.exposure_s > 0.0
        and f.electrons_per_adu is not None
        and pedestal_adu is not None
    ]
    return SensorFacts(
        pedestal_adu=pedestal_adu,
        read_noise_e=statistics.median(noises) if noises else read_noise_e,
        dark_e_s=statistics.median(darks) if darks else None,
        measured=bool(noises),
    )


def advise(
    record: NightRecord,
    events: Sequence[Event],
    read_noise_e: float | None = None,
    pedestal_adu: float | None = None,
) -> tuple[ExposureAdvice, ...]:
    """Return advice for every frame order of a night of which a frame was graded.

    Args:
        record: The night.
        events: Of the night and those before, for bias and dark frames.
        read_noise_e: From the rig file, for want of bias frames.
        pedestal_adu: Likewise.
    """
    orders: dict[tuple[str, float, str, int, int, int], list[FrameRecord]] = {}
    for frame in record.frames.values():
        begun = frame.begun
        if frame.is_light and frame.graded is not None and begun.target is not None:
            key = (begun.target, begun.exposure_s, begun.filter or "", begun.gain, begun.offset,
                   begun.binning)  # fmt: skip
            orders.setdefault(key, []).append(frame)
    advice = []
    for frames in orders.values():
        begun = frames[0].begun
        setting = (begun.gain, begun.offset, begun.binning)
        sensor = measure_sensor(events, setting, read_noise_e, pedestal_adu)
        advice.append(_advice(frames, sensor, _wanted(record, frames[0])))
    return tuple(advice)


def _wanted(record: NightRecord, frame: FrameRecord) -> int:
    plan = record.planned.get(frame.begun.target or "")
    index = frame.order_index
    if plan is None or index is None or index >= len(plan.wanted):
        return 0
    return plan.wanted[index][2]


def _advice(frames: Sequence[FrameRecord], sensor: SensorFacts, wanted: int) -> ExposureAdvice:
    begun = frames[0].begun
    accepted = [f.graded for f in frames if f.accepted and f.graded is not None]
    rates = [rate for g in accepted if (rate := _rate(g, begun.exposure_s, sensor)) is not None]
    sky = statistics.median(rates) if rates else None
    noise = sensor.read_noise_e
    shortest = rise = taken = ordered = None
    if sky is not None and sky > 0.0 and noise is not None:
        shortest = shortest_sub_s(noise, sky, NOISE_RISE)
        rise = 100.0 * (math.sqrt(1.0 + noise**2 / (sky * begun.exposure_s)) - 1.0)
        taken = _snr(sky, sensor, begun.exposure_s, len(accepted))
        ordered = _snr(sky, sensor, begun.exposure_s, max(wanted, len(accepted)))
    full = [
        100.0 * g.saturated_stars / g.stars
        for g in accepted
        if g.stars and g.saturated_stars is not None
    ]
    per_adu = next((g.electrons_per_adu for g in accepted if g.electrons_per_adu), None)
    return ExposureAdvice(
        target=begun.target or "",
        filter=begun.filter,
        exposure_s=begun.exposure_s,
        gain=begun.gain,
        offset=begun.offset,
        binning=begun.binning,
        frames=len(accepted),
        sky_e_s=sky,
        read_noise_e=noise,
        pedestal_adu=sensor.pedestal_adu,
        electrons_per_adu=per_adu,
        shortest_sub_s=shortest,
        noise_rise_percent=rise,
        saturated_stars_percent=statistics.median(full) if full else None,
        snr_taken=taken,
        snr_wanted=ordered,
        missing=_missing(accepted, sensor, per_adu, sky),
    )


def _missing(
    accepted: Sequence[FrameGraded], sensor: SensorFacts, per_adu: float | None, sky: float | None
) -> str:
    if not accepted:
        return "no frame was accepted"
    if per_adu is None:
        return "the camera does not report its electrons per ADU"
    if sensor.pedestal_adu is None:
        return "no bias frames at this setting: neither level without light nor read noise is known"
    if sensor.read_noise_e is None:
        return "no pair of bias frames at this setting: the read noise is not known"
    return "" if sky else "the background is not above that of a frame without light"


def _rate(graded: FrameGraded, exposure_s: float, sensor: SensorFacts) -> float | None:
    level, per_adu = graded.background_adu, graded.electrons_per_adu
    if level is None or per_adu is None or sensor.pedestal_adu is None:
        return None
    return sky_rate_e_s(level, sensor.pedestal_adu, per_adu, exposure_s, sensor.dark_e_s or 0.0)


def _snr(sky_e_s: float, sensor: SensorFacts, exposure_s: float, frames: int) -> float:
    signal = sky_e_s * math.pow(10.0, -0.4 * OBJECT_BELOW_SKY_MAG)
    return signal_to_noise(
        signal, sky_e_s, sensor.dark_e_s or 0.0, sensor.read_noise_e or 0.0, 1.0, exposure_s, frames
    )


def learn_sky(
    events: Iterable[Event],
    filter_name: str | None,
    setting: _Setting,
    read_noise_e: float | None = None,
    pedestal_adu: float | None = None,
) -> SkyFacts | None:
    """Return what the sky gives through a filter at a setting, by the nights of a journal.

    Returns:
        None where no accepted frame, no level without light or no read noise is known.
    """
    events = list(events)
    sensor = measure_sensor(events, setting, read_noise_e, pedestal_adu)
    if sensor.pedestal_adu is None or sensor.read_noise_e is None:
        return None
    nights: dict[str, list[Event]] = {}
    for event in events:
        if isinstance(event.fact, _OF_FRAMES):
            nights.setdefault(event.night, []).append(event)
    rates: list[float] = []
    for of_night in nights.values():
        record = NightRecord.from_events(of_night)
        for frame in record.frames.values():
            begun, graded = frame.begun, frame.graded
            alike = (begun.gain, begun.offset, begun.binning) == setting
            if graded is None or not frame.accepted or not alike or begun.filter != filter_name:
                continue
            rate = _rate(graded, frame.exposure_s, sensor)
            if rate:
                rates.append(rate)
    if not rates:
        return None
    sky = statistics.median(rates[-_LATEST:])
    return SkyFacts(
        sky_e_s=sky,
        read_noise_e=sensor.read_noise_e,
        shortest_sub_s=shortest_sub_s(sensor.read_noise_e, sky, NOISE_RISE),
        frames=len(rates[-_LATEST:]),
    )
