"""The sections of the report about what was learned: exposures and horizon."""

from __future__ import annotations

from html import escape

from midwatch.learning import (
    NOISE_RISE,
    OBJECT_BELOW_SKY_MAG,
    PROPOSAL_NAME,
    ExposureAdvice,
    Lessons,
    SeenBin,
)
from midwatch.reports.report_words import duration, number, table

__all__ = ["exposures_section", "horizon_section"]


def exposures_section(lessons: Lessons) -> str:
    """Return what the exposures of each order are worth; empty without any."""
    if not lessons.exposures:
        return ""
    heads = ("Target", "Filter", "#Exposure", "#Sky e-/s", "#Read noise e-", "#Shortest",
             "#Noise by read-out", "#Full stars", "#S/N taken", "#S/N ordered",
             "Not known")  # fmt: skip
    rows = [_exposure(advice) for advice in lessons.exposures]
    return (
        "<h2>Exposures</h2><p>From the shortest exposure on, read noise raises the noise of the "
        f"stack by less than {NOISE_RISE:.0%}. Rates are of one pixel. Signal to noise is that of "
        f"one pixel of something {OBJECT_BELOW_SKY_MAG:g} magnitudes fainter than the sky of these "
        "frames, after what was accepted and after all that was ordered.</p>"
        + table("Exposures by order", heads, rows)
    )


def _exposure(advice: ExposureAdvice) -> tuple[str, ...]:
    shortest = advice.shortest_sub_s
    return (
        escape(advice.target),
        escape(advice.filter or "none"),
        f"{advice.exposure_s:g} s",
        number(advice.sky_e_s, 3),
        number(advice.read_noise_e, 2),
        number(None) if shortest is None else escape(duration(shortest)),
        number(advice.noise_rise_percent, 2, "%"),
        number(advice.saturated_stars_percent, 1, "%"),
        number(advice.snr_taken, 1),
        number(advice.snr_wanted, 1),
        escape(advice.missing),
    )


def horizon_section(lessons: Lessons) -> str:
    """Return where frames saw no stars though it was clear; empty where none did."""
    if not lessons.horizon:
        return ""
    told = (
        f"A horizon raised accordingly lies in the data folder as <code>{PROPOSAL_NAME}</code>. "
        "The site's own file is as it was: look at the proposal and name it in the site file."
        if lessons.proposal is not None
        else "That is too little to propose another horizon: it takes the same on two nights."
    )
    heads = ("Azimuth", "#Hidden frames", "#Nights", "#Hidden up to", "#Stars from", "#Declared",
             "#Proposed")  # fmt: skip
    return (
        "<h2>Horizon as the frames saw it</h2><p>Frames of all nights without stars, where neither "
        f"a cloud sensor nor frames of other directions speak of cloud. {told}</p>"
        + table("Hidden frames by azimuth", heads, [_range(one) for one in lessons.horizon])
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
