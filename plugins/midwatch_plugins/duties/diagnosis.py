"""Why a field could not be solved: what the frames and the other devices show."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from midwatch.api.duty import DutyContext, FrameMeasures, Solution, SolveFailure

# Below this many stars a frame cannot be solved with certainty.
FEW_STARS = 8
# Share of the stars that a frame should show below which something takes their light away. Lower
# misses thin clouds; higher takes bright moonlight for clouds.
_DIMMED = 0.3
_CLOUDY_PERCENT = 50.0
# Share of the full scale at which the sky alone makes the frame useless.
_BRIGHT_SKY = 0.5
# Long over short axis. Seeing and guiding leave less than 1.4; a solver takes up to about two.
_TRAILED = 2.0
# Half-flux radius of stars clearly out of focus, arcseconds, and how much wider than the last
# good focus. Seeing alone gives 2 to 4. Many stars are solved though they are wide.
_BLURRED_ARCSEC = 9.0
_BLURRED_TIMES = 3.0
_HOPELESSLY_BLURRED_ARCSEC = 25.0
# Focuser steps from the last good focus, in steps of a focus run.
_FAR_FROM_FOCUS = 8
_SPARSE = 8.0
_SIDEREAL_ARCSEC_S = 15.04

_MORE_STARS = (
    "install deeper star lists (Debian: astrometry-data-tycho2-07) and name their folder in "
    "centring.index_folder of the rig file"
)


@dataclass(frozen=True)
class Look:
    """A frame that was taken to be solved, and what came of it."""

    exposure_s: float
    filter: str | None
    saturation_adu: float
    measures: FrameMeasures
    answer: Solution | SolveFailure

    @property
    def few_stars(self) -> bool:
        """Whether there are too few stars to solve, whatever the reason."""
        failure = self.answer
        if isinstance(failure, Solution):
            return False
        expected = failure.expected_stars or 0.0
        return (
            failure.kind == "few_stars"
            or self.measures.stars < FEW_STARS
            or self.measures.stars < _DIMMED * expected
        )


@dataclass(frozen=True)
class Diagnosis:
    """What is wrong: the device (or "sky"), a short constant name, and words."""

    device: str
    fault: str
    message: str


def diagnose(
    context: DutyContext, looks: Sequence[Look], scale_arcsec: float, searched: str, target: str
) -> Diagnosis:
    """Return the likeliest reason why none of some frames was solved.

    Args:
        context: of the duty; its devices are witnesses.
        looks: the frames, none of them solved; at least one.
        scale_arcsec: of an unbinned pixel.
        searched: what was searched without success, in words.
        target: at which the telescope points.
    """
    last = looks[-1]
    seen = f"{last.measures.stars} stars in {last.exposure_s:g} s"
    return (
        _drawn_out(looks, scale_arcsec)
        or _blurred(context, looks, scale_arcsec, target)
        or (_dark(context, last, target) if last.few_stars else None)
        or _sparse(looks)
        or _unknown_field(context, seen, searched, target)
    )


def _drawn_out(looks: Sequence[Look], scale_arcsec: float) -> Diagnosis | None:
    known = [look.measures.elongation for look in looks if look.measures.elongation is not None]
    if not known or statistics.median(known) < _TRAILED:
        return None
    standing_px = _SIDEREAL_ARCSEC_S * looks[-1].exposure_s / scale_arcsec
    return Diagnosis(
        "mount",
        "trailed",
        f"the stars are drawn out, {statistics.median(known):.1f} times as long as wide: check "
        "tracking, balance, wind and cables (a mount that does not track would draw them "
        f"{standing_px:.0f} px long in {looks[-1].exposure_s:g} s)",
    )


def _blurred(
    context: DutyContext, looks: Sequence[Look], scale_arcsec: float, target: str
) -> Diagnosis | None:
    focus = context.record.focus
    best_px = focus.run.best_hfr_px if focus is not None else None
    sizes = [look.measures.hfr_px for look in looks if look.measures.hfr_px is not None]
    # Through a tree a few specks are seen, of any size: the next target shows how sharp stars are.
    if looks[-1].measures.stars < FEW_STARS and _next_will_show(context, target):
        sizes = []
    if sizes:
        size_px = statistics.median(sizes)
        few = looks[-1].few_stars
        limit_arcsec = _BLURRED_ARCSEC if few else _HOPELESSLY_BLURRED_ARCSEC
        too_large = size_px * scale_arcsec > limit_arcsec
        if best_px is not None:
            too_large = too_large or (few and size_px > _BLURRED_TIMES * best_px)
        if too_large:
            than = "" if best_px is None else f", {best_px:.1f} px at the last focus run"
            return Diagnosis(
                "sky",
                "out_of_focus",
                f"the stars are {size_px * scale_arcsec:.0f} arcsec wide (half-flux radius "
                f"{size_px:.1f} px{than}): focus, or check the focuser",
            )
        return None
    state = context.rig.focuser.state
    if focus is None or focus.run.best_position is None or state is None:
        return None
    away = abs(state.position - focus.run.best_position)
    if away <= _FAR_FROM_FOCUS * context.night.rig.focus.step:
        return None
    return Diagnosis(
        "sky",
        "out_of_focus",
        f"hardly a star is seen, and the focuser is {away} steps from the last good focus "
        f"({focus.run.best_position})",
    )


def _dark(context: DutyContext, look: Look, target: str) -> Diagnosis:
    """Say what takes the light of the stars away, or drowns it."""
    failure = look.answer
    assert isinstance(failure, SolveFailure)
    rig, measures = context.rig, look.measures
    seen = f"{measures.stars} stars in {look.exposure_s:g} s"
    if failure.expected_stars:
        seen += f" where about {failure.expected_stars:.0f} of the catalogue should show"
    roof = None if rig.roof is None or rig.roof.down else rig.roof.state
    if roof is not None and roof.position != "open":
        return Diagnosis("roof", "not_open", f"{seen}: the roof is {roof.position}")
    panel = None if rig.flat_panel is None or rig.flat_panel.down else rig.flat_panel.state
    if panel is not None and panel.cover in ("closed", "moving"):
        return Diagnosis("flat_panel", "covers", f"{seen}: the telescope's cover is {panel.cover}")
    for fault in context.record.open_faults():
        if (fault.began.device, fault.began.fault) == ("camera", "no_light"):
            return Diagnosis("camera", "no_light", f"{seen}, and before {fault.began.message}")
    low = context.near_horizon(target)
    hidden = _hidden_elsewhere(context, target)
    dark = context.dark_light()
    if dark is not None and (hidden or not low):
        # Trees may darken one target near the horizon, but hardly two, and none high up.
        return Diagnosis("camera", "no_light", f"{seen}, and before {dark}")
    level = measures.background_adu / look.saturation_adu
    weather = None if rig.weather is None or rig.weather.down else rig.weather.state
    cloud = None if weather is None else weather.cloud_percent
    sky = f"background {measures.background_adu:.0f} ADU, {100 * level:.0f} % of full scale"
    if cloud is not None and cloud >= _CLOUDY_PERCENT:
        return Diagnosis(
            "sky", "clouds", f"{seen}: the weather sensor sees {cloud:.0f} % clouds; {sky}"
        )
    if level >= _BRIGHT_SKY:
        return Diagnosis(
            "sky", "bright_sky", f"{seen}: the sky is too bright ({sky}): Moon, twilight or light"
        )
    said = "no weather sensor says more" if cloud is None else f"the sensor says {cloud:.0f} %"
    if low:
        alone = len(context.night.targets) == 1
        then = "tried again every few minutes" if alone else "other targets come first"
        if hidden:
            then += f"; no stars at {hidden[-1]} either: see that nothing covers the telescope"
        return Diagnosis(
            "sky",
            "hidden",
            f"{seen}, {context.above_horizon_deg(target):.0f} degrees above the site's horizon: "
            "trees or a building that the horizon file does not know, or clouds there "
            f"({said}); {then}",
        )
    return Diagnosis(
        "sky", "clouds",
        f"{seen}: clouds ({said}), dew or a cap on the telescope; {sky}",
    )  # fmt: skip


def _hidden_elsewhere(context: DutyContext, target: str) -> list[str]:
    """Return the other targets that were found hidden, and not seen since."""
    return [
        fault.began.target
        for fault in context.record.open_faults()
        if fault.began.fault == "hidden" and fault.began.target not in (None, target)
    ]


def _unknown_field(context: DutyContext, seen: str, searched: str, target: str) -> Diagnosis:
    """Say why stars are seen, and no field is known by them."""
    if _next_will_show(context, target):
        return Diagnosis(
            "sky",
            "hidden",
            f"{seen}, and {searched}, {context.above_horizon_deg(target):.0f} degrees above the "
            "site's horizon: trees that the horizon file does not know may hide a part of the "
            "field, or the mount points far from where it says; other targets come first",
        )
    return Diagnosis(
        "sky",
        "not_centred",
        f"{seen}, and {searched}: the mount may point far from where it says, or the camera "
        "differ from the rig file",
    )


def _next_will_show(context: DutyContext, target: str) -> bool:
    """Return whether trees may be in the way, and another target comes next that shows it."""
    several = len(context.night.targets) > 1
    return several and context.near_horizon(target) and not _hidden_elsewhere(context, target)


def _sparse(looks: Sequence[Look]) -> Diagnosis | None:
    for look in reversed(looks):
        failure = look.answer
        if isinstance(failure, Solution):
            continue
        expected = failure.expected_stars
        poor = expected is not None and expected < _SPARSE
        if failure.kind == "few_catalogue_stars" or poor:
            held = f"about {expected:.0f}" if expected is not None else "too few"
            return Diagnosis(
                "sky",
                "sparse_catalogue",
                f"the star catalogue holds {held} stars of a field of this size, at least "
                f"{_SPARSE:.0f} are wanted: {_MORE_STARS}",
            )
    return None
