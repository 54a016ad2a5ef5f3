"""Looks at frames: star measures and plate solutions, wherever they were measured.

Pixels are measured here (in a worker process on real nights). A camera that measures on board
sends its facts with the frame; those are taken as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import structlog

from midwatch.devices.client import FrameCorruptError
from midwatch.devices.contract.kinds import FrameFacts, FrameRef
from midwatch.imaging import Measurer, Solution
from midwatch.imaging.solving import FieldHint, FrameStars, SolveFailure, SolveMethod, solve_by
from midwatch.imaging.stars import StarMeasures, StarTable, Zone
from midwatch.sequencer.camera.camera_solutions import solved_on_board
from midwatch.sequencer.camera.frame_pixels import level_and_spread, measured, verified

_log = structlog.get_logger(__name__)

# Relative error of the scale before the first solution (reducers and spacing), and after it
# (temperature, filters).
_SCALE_TOLERANCE = 0.03
_LEARNED_SCALE_TOLERANCE = 0.005


@dataclass(frozen=True)
class FrameMeasures:
    """What a frame shows; None where it cannot be said. Lengths in pixels of the frame.

    Attributes:
        elongation_deg: direction of the long axis of the stars, from +x towards +y.
        background_gradient: rise of the sky in ADU from the left edge to the right one, and from
            the first row to the last one.
        trails: straight trails of satellites and aircraft.
        trail_length_px: of all of them together.
        saturated_fraction: share of all pixels that are full.
        zones: nine thirds of thirds of the frame, row by row; empty where nothing was measured.
        tilt_percent: how much larger stars are at one end of a diagonal than at the other.
        curvature_percent: how much larger stars are in the corners than in the middle.
    """

    stars: int
    hfr_px: float | None
    fwhm_arcsec: float | None
    elongation: float | None
    background_adu: float
    noise_adu: float
    saturated_stars: int
    table: StarTable | None = None
    facts: FrameFacts | None = None
    elongation_deg: float | None = None
    background_gradient: tuple[float, float] | None = None
    trails: int | None = None
    trail_length_px: float | None = None
    saturated_fraction: float | None = None
    zones: tuple[Zone, ...] = ()
    tilt_percent: float | None = None
    tilt_error_percent: float | None = None
    curvature_percent: float | None = None
    curvature_error_percent: float | None = None


class FrameAnalysis:
    """Measures and solves frames of one optical train.

    What the first solution teaches (scale, mirror image, rotation) makes the later ones quicker.
    """

    def __init__(self, measurer: Measurer, scale_arcsec: float) -> None:
        self._measurer = measurer
        self._scale_arcsec = scale_arcsec
        self._last: Solution | None = None
        # A frame that waits for room on the disk is looked at again and again.
        self._seen: tuple[FrameRef, FrameMeasures] | None = None
        self._index_folder: Path | None = None

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds a full-resolution pixel: as solved, else as the rig file says."""
        return self._last.scale_arcsec if self._last is not None else self._scale_arcsec

    async def look(self, ref: FrameRef) -> FrameMeasures:
        """Fetch a frame from its spool and measure its stars, where the measurer runs.

        Raises:
            FrameCorruptError: it is gone, or is not what its reference says.
        """
        if ref.facts is not None:
            await self._measurer.run(verified, ref)
            return _from_facts(ref.facts, self.scale_arcsec)
        if self._seen is not None and self._seen[0] == ref:
            await self._measurer.run(verified, ref)
            return self._seen[1]
        try:
            found = await self._measurer.run(measured, ref, self.scale_arcsec * ref.binning)
        except FrameCorruptError:
            raise
        except Exception:
            # Whatever measuring trips over, the frame itself is whole and must be filed.
            _log.exception("frame_not_measured", exposure_id=ref.exposure_id)
            level, spread = await self._measurer.run(level_and_spread, ref)
            return FrameMeasures(0, None, None, None, level, spread, 0)
        measures = _from_pixels(found)
        self._seen = (ref, measures)
        return measures

    async def solve(
        self,
        ref: FrameRef,
        measures: FrameMeasures,
        ra_deg: float,
        dec_deg: float,
        radius_deg: float,
        method: SolveMethod = "near",
        index_folder: Path | None = None,
    ) -> Solution | SolveFailure:
        """Find where a frame points, near a given place or by another method.

        A folder of index files, once given, is used for the frames after as well.
        """
        self._index_folder = folder = index_folder or self._index_folder
        shape = (ref.height_px, ref.width_px)
        hint = FieldHint(
            ra_deg,
            dec_deg,
            radius_deg,
            self._scale_arcsec * ref.binning,
            scale_tolerance=_SCALE_TOLERANCE,
        )
        last = self._last
        learned = hint
        if last is not None and method != "scale":
            learned = replace(
                hint,
                scale_arcsec=last.scale_arcsec * ref.binning,
                scale_tolerance=_LEARNED_SCALE_TOLERANCE,
                parity=1 if last.parity > 0 else -1,
                rotation_deg=last.rotation_deg,
            )
        found: Solution | SolveFailure = SolveFailure("few_stars", "no star was measured")
        # The camera may have been turned, or the learned scale be wrong: ask without it as well.
        for asked in (learned,) if learned is hint else (learned, hint):
            if measures.facts is not None:
                found = solved_on_board(method, measures.facts, shape, ref.binning, asked, folder)
            elif measures.table is not None:
                table = measures.table
                stars = FrameStars(table.x_px, table.y_px, table.flux_adu, shape)
                found = await self._measurer.run(solve_by, method, stars, asked, folder)
            if isinstance(found, Solution):
                self._last = replace(found, scale_arcsec=found.scale_arcsec / ref.binning)
                break
        return found


def _from_pixels(found: StarMeasures) -> FrameMeasures:
    return FrameMeasures(
        stars=found.count,
        hfr_px=_known(found.hfr_px),
        fwhm_arcsec=_known(found.fwhm_arcsec),
        elongation=_known(found.elongation),
        background_adu=found.background_adu,
        noise_adu=found.noise_adu,
        saturated_stars=found.saturated_count,
        table=found.stars,
        elongation_deg=_known(found.elongation_deg),
        background_gradient=(found.gradient_x_adu, found.gradient_y_adu),
        trails=len(found.trails),
        trail_length_px=sum(trail.length_px for trail in found.trails),
        saturated_fraction=found.saturated_fraction,
        zones=found.zones,
        tilt_percent=_known(found.field.tilt_percent),
        tilt_error_percent=_known(found.field.tilt_error_percent),
        curvature_percent=_known(found.field.curvature_percent),
        curvature_error_percent=_known(found.field.curvature_error_percent),
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _from_facts(facts: FrameFacts, scale_arcsec: float) -> FrameMeasures:
    fwhm = None if facts.fwhm_px is None else facts.fwhm_px * scale_arcsec
    return FrameMeasures(
        stars=facts.stars,
        hfr_px=facts.hfr_px,
        fwhm_arcsec=fwhm,
        elongation=facts.elongation,
        background_adu=facts.background_adu,
        noise_adu=facts.noise_adu,
        saturated_stars=facts.saturated_stars,
        facts=facts,
    )
