"""Bring a target to the middle of the field by plate solving, and turn the camera as ordered.

Each frame is solved near the target first, then in a larger area, then at other scales, then
blind where that is installed: the mildest search that may do. A frame without stars is taken again
with a longer exposure, then through the broadest filter, then a little off the target.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from midwatch.api.duty import (
    Cause,
    CentreArgs,
    Centred,
    CommandError,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    Notice,
    Solution,
    SolveFailure,
    Sync,
    point,
    separation_deg,
)
from midwatch_plugins.duties.diagnosis import Diagnosis, Look, diagnose
from midwatch_plugins.duties.filters import bring_filter, selected_filter
from midwatch_plugins.duties.turning import Turning, turn_error_deg

Method = Literal["near", "wide", "scale", "blind"]

# A mount finds a target within some tenths of a degree; one that was never aligned, within degrees.
_NEAR_DEG = 1.0
_WIDE_DEG = 15.0
# Longest exposure for a frame that only has to show stars, unless the rig file asks for more.
_LONGEST_S = 60.0
# Scales this near to each other are one: reducers, spacing and temperature change it by less.
_SAME_SCALE = 0.03
# Frames without a solution after which a target near the horizon is left for another one.
_LOOKS_NEAR_HORIZON = 2
# How far off the target stars are looked for, in heights of the field.
_ASIDE = 0.5
# Filters through which most stars show, the best first; names as observers write them (common
# practice, no source). Those of single lines come last of all.
_BROAD = ("l", "lum", "luminance", "clear", "c", "none", "uv/ir", "g", "green", "v", "r", "red")
_NARROW = ("ha", "h-alpha", "oiii", "o3", "sii", "s2", "nii", "hb", "h-beta")


class Centre:
    """Bring a target to the middle of the field by plate solving."""

    name: ClassVar[str] = "centre"
    cause: ClassVar[Cause] = "centring"
    takes: ClassVar[type[DutyArgs]] = CentreArgs

    async def perform(self, context: DutyContext, args: CentreArgs) -> None:
        """Solve and correct until the target is within tolerance.

        Raises:
            DutyFailedError: it could not be; the fault says what prevented it.
        """
        await _Centring(context, args.target).run()


@dataclass
class _Centring:
    """One attempt to centre a target, with everything seen on the way."""

    context: DutyContext
    name: str
    looks: list[Look] = field(default_factory=list)
    solution: Solution | None = None
    method: Method | None = None
    before_arcsec: float | None = None
    error_arcsec: float | None = None
    diagnosis: Diagnosis | None = None
    _hopeless: int = 0
    _searched: dict[Method, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.target = self.context.target(self.name)
        self.settings = self.context.night.rig.centring
        self.turning = Turning(self.context, self.target.order)
        # Before the first solution this is what the rig file says.
        optics, camera = self.context.night.rig.optics, self.context.night.rig.camera
        self.declared_arcsec = math.degrees(
            math.atan(camera.pixel_um / 1000.0 / optics.focal_length_mm)
        ) * 3600.0  # fmt: skip

    async def run(self) -> None:
        """Centre, or raise what prevented it."""
        try:
            await bring_filter(self.context, self.settings.filter)
            for _ in range(self.settings.attempts):
                if await self._attempt():
                    self._note(ok=True)
                    return
                if self._others_come_first():
                    break
            raise self._failure()
        except DutyFailedError as error:
            self.diagnosis = Diagnosis(error.device, error.fault, error.message)
            self._note(ok=False)
            raise

    async def _attempt(self) -> bool:
        """Take a frame and act on it; returns whether all is as it should be."""
        if not self.context.mount_state().tracking:
            raise DutyFailedError(
                "mount", "not_tracking", f"the mount does not track while centring on {self.name}"
            )
        look = await self._look()
        self.looks.append(look)
        found = look.answer
        if isinstance(found, SolveFailure):
            if look.few_stars and self._few() == 3:
                await self._step_aside()
            return False
        self.solution = found
        self.error_arcsec = 3600.0 * float(
            separation_deg(found.ra_deg, found.dec_deg, *self._there())
        )
        if self.before_arcsec is None:
            self.before_arcsec = self.error_arcsec
            self._compare_scale(found)
        if self.error_arcsec > self.settings.within_arcsec:
            await self._correct(found)
            return False
        return not await self.turning.turn(found.rotation_deg)

    def _others_come_first(self) -> bool:
        """Return whether this is given up early: it may be hidden, and there is other work."""
        alone = len(self.context.night.targets) == 1
        if alone or self.solution is not None or len(self.looks) < _LOOKS_NEAR_HORIZON:
            return False
        return self.context.near_horizon(self.name)

    def _few(self) -> int:
        """Return how many frames had too few stars."""
        return sum(look.few_stars for look in self.looks)

    async def _look(self) -> Look:
        few = self._few()
        # Low down few frames are taken: one at least through the filter that shows most stars.
        patience = 1 if self.context.near_horizon(self.name) else 2
        if few >= patience and self.settings.filter is None:
            await self._open_up()
        longest_s = max(_LONGEST_S, self.settings.exposure_s)
        exposure_s = min(self.settings.exposure_s * 2.0 ** min(few, 3), longest_s)
        setting = self.context.setting()
        shot = await self.context.frame_taker.throwaway("solve", exposure_s, setting)
        look: Look | None = None
        for method in self._methods():
            answer = await self.context.analysis.solve(
                shot.ref,
                shot.measures,
                *self._there(),
                _WIDE_DEG if method == "wide" else _NEAR_DEG,
                method,
                self._index_folder(),
            )
            if isinstance(answer, SolveFailure):
                self._searched[method] = answer.reason
            elif self.method is None:
                self.method = method
            if look is None or isinstance(answer, Solution):
                filter_name = selected_filter(self.context)
                full_adu = float(shot.ref.saturation_adu)
                look = Look(exposure_s, filter_name, full_adu, shot.measures, answer)
            if isinstance(answer, Solution) or look.few_stars:
                break
        assert look is not None
        if isinstance(look.answer, SolveFailure) and not look.few_stars:
            self._hopeless += 1
        return look

    def _methods(self) -> tuple[Method, ...]:
        """Return how to solve the next frame: each costly search once, not with every frame."""
        if self.solution is not None or self._hopeless >= 2:
            return ("near",)
        return ("near", "wide") if self._hopeless == 0 else ("near", "scale", "blind")

    def _index_folder(self) -> Path | None:
        """Return the folder of star index files; relative to the rig file."""
        named = self.settings.index_folder
        return None if named is None else self.context.night.paths["rig"].parent / named

    async def _open_up(self) -> None:
        """Bring the filter in through which most stars show."""
        wheel = self.context.rig.filter_wheel
        if wheel is not None and not wheel.down and wheel.state is not None:
            await bring_filter(self.context, broadest(wheel.state.filters))
            self.context.activity("centring")

    async def _step_aside(self) -> None:
        """Point a little off the target, towards the zenith: something may hide it."""
        height_deg = self._field_height_deg()
        ra_deg, dec_deg = self._there()
        north = self.context.observer.place.latitude_deg > dec_deg
        await self._slew(ra_deg, dec_deg + (_ASIDE if north else -_ASIDE) * height_deg)

    def _field_height_deg(self) -> float:
        rows = 1000
        about = self.context.rig.camera.about
        if about is not None and isinstance(about.limits.get("height_px"), int):
            rows = int(about.limits["height_px"])  # type: ignore[arg-type]
        return rows * self.context.analysis.scale_arcsec / 3600.0

    def _compare_scale(self, found: Solution) -> None:
        """Say so when the frame's scale is not that of the rig file."""
        binning = self.context.setting().binning
        measured = found.scale_arcsec / binning
        ratio = measured / self.declared_arcsec
        if abs(math.log(ratio)) <= math.log1p(_SAME_SCALE):
            return
        declared_mm = self.context.night.rig.optics.focal_length_mm
        message = (
            f"a pixel covers {measured:.3f} arcsec, the rig file's optics and camera say "
            f"{self.declared_arcsec:.3f}: measured focal length {declared_mm / ratio:.0f} mm, "
            f"configured {declared_mm:.0f} mm; correct optics.focal_length_mm (or camera.pixel_um)"
        )
        self.diagnosis = Diagnosis("sky", "wrong_scale", message)
        self.context.note(Notice(message=f"centring goes on at the measured scale: {message}"))

    async def _correct(self, found: Solution) -> None:
        """Bring the target to the middle, by a sync of the mount or by a slew with an offset."""
        assert self.error_arcsec is not None
        target, mount_state = self.target, self.context.mount_state()
        away_deg = self.error_arcsec / 3600.0
        if away_deg > self.settings.correct_within_deg:
            raise DutyFailedError(
                "mount",
                "wrong_place",
                f"the sky shows {found.ra_deg:.2f} {found.dec_deg:+.2f}, {away_deg:.1f} degrees "
                f"from {target.name}, while the mount says {mount_state.ra_deg:.2f} "
                f"{mount_state.dec_deg:+.2f}: check its home position, date, time and site "
                f"(corrected only within {self.settings.correct_within_deg:g} degrees)",
            )
        if self.settings.sync == "never":
            shown = (found.ra_deg, found.dec_deg)
            believed = (mount_state.ra_deg, mount_state.dec_deg)
            await self._slew(*carried(shown, self._there(), believed))
            return
        mount = self.context.device(self.context.rig.mount, "mount")
        sync = Sync(ra_deg=found.ra_deg % 360.0, dec_deg=found.dec_deg)
        try:
            await mount.do(sync, timeout_s=20.0)
        except CommandError as error:
            raise DutyFailedError(
                "mount",
                "sync_refused",
                f"the mount does not take the position that the sky shows, {away_deg:.2f} degrees "
                f"off: {error.message}",
            ) from error
        await self._slew(*self._there())

    def _there(self) -> tuple[float, float]:
        """Return where the target is now."""
        return self.target.position_at(self.context.now_s)

    async def _slew(self, ra_deg: float, dec_deg: float) -> None:
        now = self.context.pier_side()
        side = None if now == "unknown" else now
        await point(self.context, ra_deg, dec_deg, side, f"centring on {self.name}")

    def _failure(self) -> DutyFailedError:
        tried = f"{self.name} could not be centred in {len(self.looks)} frames"
        if self.solution is not None and self.error_arcsec is not None:
            return DutyFailedError(
                "sky",
                "not_centred",
                f"{tried}: still {self.error_arcsec:.0f} arcsec off, allowed "
                f"{self.settings.within_arcsec:g}",
            )
        # What was searched near the target was searched again in the larger area around it.
        searched = {**self._searched}
        if "wide" in searched:
            searched.pop("near", None)
        words = "; ".join(searched.values())
        scale_arcsec = self.context.analysis.scale_arcsec
        why = diagnose(self.context, self.looks, scale_arcsec, words, self.name)
        return DutyFailedError(why.device, why.fault, f"{tried}: {why.message}")

    def _note(self, *, ok: bool) -> None:
        found, last = self.solution, self.looks[-1] if self.looks else None
        rotation_error_deg = None
        if found is not None and self.target.order.rotation_deg is not None:
            rotation_error_deg = turn_error_deg(found.rotation_deg, self.target.order)
        self.context.note(
            Centred(
                target=self.name,
                ok=ok,
                attempts=len(self.looks),
                error_arcsec=self.error_arcsec,
                rotation_deg=found.rotation_deg if found else None,
                scale_arcsec=found.scale_arcsec if found else None,
                reason=None if ok or self.diagnosis is None else self.diagnosis.message,
                method=self.method,
                offset_before_arcsec=self.before_arcsec,
                exposures_s=tuple(look.exposure_s for look in self.looks),
                filter=last.filter if last else None,
                stars=last.measures.stars if last else None,
                background_adu=last.measures.background_adu if last else None,
                rotation_error_deg=rotation_error_deg,
                diagnosis=self.diagnosis.fault if self.diagnosis else None,
            )
        )


def broadest(filters: tuple[str, ...]) -> str | None:
    """Return the filter that passes most light, by its name; None where there is no filter.

    A name that says nothing comes before those of single lines.
    """

    def rank(name: str) -> int:
        plain = name.casefold()
        if plain in _BROAD:
            return _BROAD.index(plain)
        return len(_BROAD) + (plain in _NARROW)

    return min(filters, key=rank, default=None)


def carried(
    found: tuple[float, float], wanted: tuple[float, float], believed: tuple[float, float]
) -> tuple[float, float]:
    """Return where to send a mount that may not be synchronized.

    The shortest turn of the sphere that brings what was found to what is wanted is applied to
    where the mount believes that it is (Rodrigues' rotation).

    Args:
        found: right ascension and declination in degrees that the frame shows.
        wanted: those of the target.
        believed: those that the mount reports.

    Returns:
        Right ascension in [0, 360) and declination in degrees. Positions that are opposite to each
        other leave the turn open; none is made.
    """
    start, end, mount = (_direction(*place) for place in (found, wanted, believed))
    axis = np.cross(start, end)
    sine, cosine = float(np.linalg.norm(axis)), float(start @ end)
    if sine > 0.0:
        axis = axis / sine
        across = np.cross(axis, mount)
        mount = mount * cosine + across * sine + axis * float(axis @ mount) * (1.0 - cosine)
    ra_deg = math.degrees(math.atan2(mount[1], mount[0])) % 360.0
    dec_deg = math.degrees(math.atan2(mount[2], math.hypot(mount[0], mount[1])))
    return (0.0 if ra_deg >= 360.0 else ra_deg), dec_deg


def _direction(ra_deg: float, dec_deg: float) -> NDArray[np.float64]:
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    return np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])
