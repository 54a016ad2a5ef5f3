"""The sections of the report on what was learned, as plain values: exposures and horizon."""

from __future__ import annotations

from dataclasses import dataclass

from midwatch.learning import (
    NOISE_RISE,
    OBJECT_BELOW_SKY_MAG,
    PROPOSAL_NAME,
    ExposureAdvice,
    Lessons,
    SeenBin,
)
from midwatch.reports.report_words import duration, number, percent
from midwatch.reports.tables import Table, table

__all__ = ["ExposuresView", "HorizonView", "exposures_section", "horizon_section"]


@dataclass(frozen=True)
class ExposuresView:
    """What the exposures of each order are worth.

    Attributes:
        noise_rise: what read noise adds at most to the noise of the stack, from the shortest
            exposure on.
        below_sky_mag: how much fainter than the sky the object is that signal to noise is of.
    """

    noise_rise: str
    below_sky_mag: str
    exposures: Table


@dataclass(frozen=True)
class HorizonView:
    """Where frames saw no stars though it was clear; a proposal has its file, or ""."""

    proposal: str
    hidden: Table


def exposures_section(lessons: Lessons) -> ExposuresView | None:
    """Return what the exposures of each order are worth; None without any."""
    if not lessons.exposures:
        return None
    heads = ("Target", "Filter", "#Exposure", "#Sky e-/s", "#Read noise e-", "#Shortest",
             "#Noise by read-out", "#Full stars", "#S/N taken", "#S/N ordered",
             "Not known")  # fmt: skip
    rows = [_exposure(advice) for advice in lessons.exposures]
    return ExposuresView(
        percent(NOISE_RISE), f"{OBJECT_BELOW_SKY_MAG:g}", table("Exposures by order", heads, rows)
    )


def _exposure(advice: ExposureAdvice) -> tuple[str, ...]:
    shortest = advice.shortest_sub_s
    return (
        advice.target,
        advice.filter or "none",
        f"{advice.exposure_s:g} s",
        number(advice.sky_e_s, 3),
        number(advice.read_noise_e, 2),
        number(None) if shortest is None else duration(shortest),
        number(advice.noise_rise_percent, 2, "%"),
        number(advice.saturated_stars_percent, 1, "%"),
        number(advice.snr_taken, 1),
        number(advice.snr_wanted, 1),
        advice.missing,
    )


def horizon_section(lessons: Lessons) -> HorizonView | None:
    """Return where frames saw no stars though it was clear; None where none did."""
    if not lessons.horizon:
        return None
    heads = ("Azimuth", "#Hidden frames", "#Nights", "#Hidden up to", "#Stars from", "#Declared",
             "#Proposed")  # fmt: skip
    rows = [_range(one) for one in lessons.horizon]
    return HorizonView(
        "" if lessons.proposal is None else PROPOSAL_NAME,
        table("Hidden frames by azimuth", heads, rows),
    )


def _range(one: SeenBin) -> tuple[str, ...]:
    return (
        f"{one.az_from_deg:.0f} to {one.az_to_deg:.0f}°",
        str(one.hidden),
        str(one.nights),
        number(one.hidden_to_deg, 1, "°"),
        number(one.seen_from_deg, 1, "°"),
        number(one.declared_deg, 1, "°"),
        number(one.proposed_deg, 1, "°"),
    )
