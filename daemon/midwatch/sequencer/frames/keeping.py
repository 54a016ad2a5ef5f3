"""Takes the frames that count: lights and calibration, each in the ledger exactly once.

Begun is journaled before the shutter opens, read when the driver holds the pixels, filed when the
file is whole on disk, graded last. A frame that dies on the way is either still in the driver's
spool, and collected later, or journaled as lost. Rejected frames stay on disk, marked in their
headers and in the ledger, and are asked for again.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import structlog

from midwatch.devices.client import FrameCorruptError
from midwatch.devices.contract.kinds import FrameRef, ListWaiting
from midwatch.errors import MidwatchError
from midwatch.imaging.files import FrameHeader, ImageType
from midwatch.journal.facts import (
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameLost,
    FrameRead,
    Notice,
    SensorMeasured,
)
from midwatch.journal.record import FaultRecord, FrameRecord
from midwatch.orders.reading import ResolvedTarget
from midwatch.sequencer.camera import CameraSetting, Shot, common_header, frame_path, plain_name
from midwatch.sequencer.duties import DutyContext, DutyFailedError
from midwatch.sequencer.frames.assessing import Assessment, assess, graded_fact
from midwatch.sequencer.frames.guide_watch import Guidance, GuideWatch
from midwatch.sequencer.watches import FaultDesk
from midwatch.sky import Fixed, moon_separation_deg, track

_log = structlog.get_logger(__name__)

_IMAGE_TYPES: dict[str, ImageType] = {
    "light": "LIGHT",
    "dark": "DARK",
    "flat": "FLAT",
    "bias": "BIAS",
}
# What numbers stand for has no picture (`--sky fast`).
_SMALLEST_PREVIEWED_PX = 200
# How often a disk that was full is tried again. Each attempt fetches and measures a frame.
_LOOK_FOR_ROOM_S = 60.0


async def keep_frame(
    context: DutyContext,
    begun: FrameBegun,
) -> FrameGraded | None:
    """Take one exposure that counts and file it; returns the verdict of a light.

    Raises:
        DutyFailedError: the camera, or the disk, did not do its part; the frame is journaled as
            lost, or waits in the driver's spool.
    """
    if context.record.unfiled():
        # The disk was full, or failed; or a duty died over its frame, and it is unknown what became
        # of it. What waits goes first: with no room for it there is none for another either.
        await collect_waiting(context)
    setting = CameraSetting(begun.gain, begun.offset, begun.binning)
    light = begun.frame == "light"
    rig = context.rig
    watch = GuideWatch(context.clock, rig.guider if light else None, rig.guide_camera)
    context.note(begun)
    context.activity("open_shutter" if light else "calibrating", begun.filter)

    def shutter_closed() -> None:
        watch.end()
        context.activity("read_out")

    watch.begin()
    before_c = _sensor_c(context)
    try:
        ref = await context.frame_taker.expose(
            begun.frame,  # type: ignore[arg-type]
            begun.exposure_s,
            setting,
            begun.exposure_id,
            shutter_closed if light else None,
        )
    except (asyncio.CancelledError, MidwatchError) as error:
        reason = str(error) or "the exposure was interrupted"
        context.note(FrameLost(exposure_id=begun.exposure_id, reason=reason))
        raise
    finally:
        watch.end()
    if light:
        context.activity("read_out")
    return await _develop(context, ref, begun, watch.guidance(), before_c)


def _sensor_c(context: DutyContext) -> float | None:
    state = context.rig.camera.state
    return None if state is None else state.sensor_c


async def collect_waiting(context: DutyContext) -> int:
    """File what a camera's spool still holds from before; returns how many frames were found.

    Exposures that the journal began and that are nowhere are journaled as lost. A frame of an
    earlier night that was never filed stays in the spool, and is reported.
    """
    camera = context.device(context.rig.camera, "camera")
    waiting = await camera.do(ListWaiting(), timeout_s=30.0)
    context.frame_taker.tidy({f.filed.path for f in context.record.frames.values() if f.filed})
    strange = [ref for ref in waiting.frames if ref.exposure_id not in context.record.frames]
    unfiled = _unfiled_in_other_nights(context) if strange else {}
    for ref in waiting.frames:
        known = context.record.frames.get(ref.exposure_id)
        if known is not None and not known.kept:
            await _develop(context, ref, known.begun, Guidance())
        elif ref.exposure_id in unfiled:
            _report_strange(context, ref, unfiled[ref.exposure_id])
        else:
            # Kept before, or a throwaway: the acknowledgement was what got lost.
            await context.frame_taker.release(ref)
    for missing in context.record.unfiled():
        reason = "it was interrupted and is not in the camera's spool"
        context.note(FrameLost(exposure_id=missing.exposure_id, reason=reason))
    return len(waiting.frames)


async def file_what_waits(context: DutyContext, patience_s: float) -> None:
    """File what found no room on the disk before, and wait so long for room.

    The disk's fault says how it went: it ends when all is filed; else it stays open, and the frames
    stay in the camera's spool for the next start.

    Raises:
        DutyFailedError: something other than the disk prevented it.
    """
    desk = FaultDesk(context.rig, context.record, context.journal, context.clock, lambda: None)
    until_s = context.clock.mono() + patience_s
    while True:
        try:
            await collect_waiting(context)
        except DutyFailedError as error:
            if error.device != "disk":
                raise
            left_s, failure = until_s - context.clock.mono(), error
        else:
            for fault in _faults_of_disk(context):
                desk.tried(fault.began.fault_id, "retry", "done")
                desk.close(fault, "what waited is filed")
            return
        if left_s <= 0.0:
            break
        await context.clock.sleep(min(_LOOK_FOR_ROOM_S, left_s))
    faults = _faults_of_disk(context) or [desk.open(failure.device, failure.fault, str(failure))]
    desk.tried(faults[-1].began.fault_id, "retry", "failed", str(failure))


def _faults_of_disk(context: DutyContext) -> list[FaultRecord]:
    return [fault for fault in context.record.open_faults() if fault.began.device == "disk"]


def _report_strange(context: DutyContext, ref: FrameRef, night: str) -> None:
    """Report, once in a night, a frame that another night did not file."""
    notice = Notice(
        message=f"a {ref.frame} of {ref.exposure_s:g} s of the night of {night} was never filed; "
        f"it stays in the camera's spool: {ref.where}"
    )
    if all(event.fact != notice for event in context.journal.events(context.journal.night)):
        context.note(notice)


def _unfiled_in_other_nights(context: DutyContext) -> dict[str, str]:
    """Return the exposures that other nights began and neither filed nor lost, and their nights."""
    unfiled: dict[str, str] = {}
    for event in context.journal.events():
        if isinstance(event.fact, FrameBegun) and event.night != context.journal.night:
            unfiled[event.fact.exposure_id] = event.night
        elif isinstance(event.fact, FrameFiled | FrameLost):
            unfiled.pop(event.fact.exposure_id, None)
    return unfiled


async def _develop(
    context: DutyContext,
    ref: FrameRef,
    begun: FrameBegun,
    guidance: Guidance,
    before_c: float | None = None,
) -> FrameGraded | None:
    """Measure, file, grade and acknowledge a frame that was read out.

    What the journal already knows of it is not done, nor reported, a second time. `before_c` is how
    warm the sensor was when it was begun, where that is known.
    """
    if context.record.frames[begun.exposure_id].read is None:
        context.note(
            FrameRead(
                exposure_id=begun.exposure_id,
                sha256=ref.sha256,
                began_utc_s=ref.began_at.timestamp(),
                exposure_s=ref.exposure_s,
                sensor_c=ref.sensor_c,
            )
        )
    try:
        shot = await context.frame_taker.look(ref)
    except FrameCorruptError as error:
        lost = FrameLost(exposure_id=begun.exposure_id, reason=str(error), spoilt=True)
        context.note(lost)
        await context.frame_taker.release(ref)
        raise DutyFailedError("camera", "corrupt_frame", str(error)) from error
    graded: FrameGraded | None = None
    # Changed orders may have no such target any more; what was taken of it is filed all the same.
    ordered = any(target.name == begun.target for target in context.night.targets)
    if begun.frame == "light" and ordered:
        graded = await _file_light(context, shot, begun, guidance, before_c)
    else:
        await _file(context, shot, begun, _header(context, shot, begun))
        if begun.frame in ("bias", "dark"):
            context.note(await _sensor_fact(context, shot, begun))
    await context.frame_taker.release(ref)
    return graded


async def _file_light(
    context: DutyContext,
    shot: Shot,
    begun: FrameBegun,
    guidance: Guidance,
    before_c: float | None,
) -> FrameGraded:
    assert begun.target is not None
    target = context.target(begun.target)
    assessed = await assess(context, shot, begun, target, guidance, before_c)
    header = _header(context, shot, begun, target, assessed)
    preview = await _preview(context, shot, begun)
    await _file(context, shot, begun, header, preview)
    graded = graded_fact(context, shot, assessed)
    context.note(graded)
    context.look_again(assessed.light)
    return graded


async def _sensor_fact(context: DutyContext, shot: Shot, begun: FrameBegun) -> SensorMeasured:
    bias = begun.frame == "bias"
    noise_adu = await context.frame_taker.pair_noise_adu(shot) if bias else None
    return SensorMeasured(
        exposure_id=begun.exposure_id,
        frame=begun.frame,
        exposure_s=shot.ref.exposure_s,
        gain=begun.gain,
        offset=begun.offset,
        binning=begun.binning,
        level_adu=shot.measures.background_adu,
        pair_noise_adu=noise_adu,
        electrons_per_adu=shot.ref.electrons_per_adu,
    )


async def _file(
    context: DutyContext,
    shot: Shot,
    begun: FrameBegun,
    header: FrameHeader,
    preview: str | None = None,
) -> None:
    if context.record.frames[begun.exposure_id].filed is not None:
        return
    number = _number(context, begun)
    relative = frame_path(
        begun.frame, begun.target, begun.filter, shot.ref, number,
        rejected=header.grade == "rejected",
    )  # fmt: skip
    try:
        facts = await context.frame_taker.file(shot, header, relative)
    except OSError as error:
        # The driver keeps the frame until a person has made room.
        raise DutyFailedError(
            "disk",
            "write_failed",
            f"{relative.as_posix()} cannot be written: {error.strerror or error}; "
            "make room on the disk; the frame waits in the camera's spool",
        ) from error
    context.note(
        FrameFiled(
            exposure_id=begun.exposure_id,
            path=relative.as_posix(),
            file_sha256=facts.sha256,
            bytes=facts.size_bytes,
            preview=preview,
        )
    )


def _number(context: DutyContext, begun: FrameBegun) -> int:
    """Return the running number of a frame among its kind and target."""

    def same(frame: FrameRecord) -> bool:
        return (frame.begun.frame, frame.begun.target) == (begun.frame, begun.target)

    alike = [f.exposure_id for f in context.record.frames.values() if same(f)]
    return alike.index(begun.exposure_id) + 1


async def _preview(context: DutyContext, shot: Shot, begun: FrameBegun) -> str | None:
    if shot.ref.width_px < _SMALLEST_PREVIEWED_PX:
        return None
    lights = [
        f
        for f in context.record.frames.values()
        if f.is_light
        and f.filed is not None
        and (f.begun.target, f.begun.filter) == (begun.target, begun.filter)
    ]
    subject = plain_name(f"{begun.target}-{begun.filter or 'light'}")
    path = Path("previews") / f"{subject}-{len(lights) + 1:04d}.png"
    try:
        return await context.frame_taker.preview(shot, path)
    except OSError as error:
        context.note(Notice(message=f"no preview: {error}"))
        return None


def _read_noise_e(context: DutyContext, shot: Shot) -> float | None:
    """Return the read noise of a frame: as the rig file says for its settings, or the driver."""
    settings, ref = context.night.rig.camera, shot.ref
    usual = (settings.gain, settings.offset, settings.binning)
    declared = (ref.gain, ref.offset, ref.binning) == usual
    return settings.read_noise_e if declared and settings.read_noise_e else ref.read_noise_e


def _header(
    context: DutyContext,
    shot: Shot,
    begun: FrameBegun,
    target: ResolvedTarget | None = None,
    assessed: Assessment | None = None,
) -> FrameHeader:
    night, measures = context.night, shot.measures
    about = context.rig.camera.about
    fields = {
        **common_header(shot.ref),
        "image_type": _IMAGE_TYPES[begun.frame],
        "camera": about.driver if about else None,
        "written": context.clock.now(),
        "rig": night.rig.name,
        "read_noise_e": _read_noise_e(context, shot),
        "telescope": night.rig.optics.name,
        "focal_length_mm": night.rig.optics.focal_length_mm,
        "aperture_mm": night.rig.optics.aperture_mm,
        "filter_name": begun.filter,
        "site_name": night.site.name,
        "latitude_deg": night.site.latitude_deg,
        "longitude_deg": night.site.longitude_deg,
        "elevation_m": night.site.elevation_m,
    }
    if target is not None and assessed is not None:
        solution = assessed.solution
        light, verdict = assessed.light, assessed.verdict
        middle_s = shot.ref.began_at.timestamp() + shot.ref.exposure_s / 2.0
        object_ra_deg, object_dec_deg = target.position_at(middle_s)
        ra_deg, dec_deg = object_ra_deg, object_dec_deg
        if solution:
            ra_deg, dec_deg = solution.ra_deg, solution.dec_deg
        seen = track(context.observer, Fixed(ra_deg, dec_deg), middle_s, night.horizon)
        fields |= {
            "object_name": target.name,
            "object_ra_deg": object_ra_deg,
            "object_dec_deg": object_dec_deg,
            "ra_deg": ra_deg,
            "dec_deg": dec_deg,
            "altitude_deg": float(seen.alt_deg),
            "azimuth_deg": float(seen.az_deg),
            "airmass": float(seen.airmass),
            "pier_side": context.geometry.header_side(assessed.pier_side),
            "moon_separation_deg": float(
                moon_separation_deg(context.observer, ra_deg, dec_deg, middle_s)
            ),
            "focuser_position": assessed.focus_position,
            "focuser_c": assessed.focuser_c,
            "ambient_c": assessed.air_c,
            "guided": light.guided,
            "guiding_rms_arcsec": light.guide_rms_arcsec,
            "hfr_px": measures.hfr_px,
            "fwhm_arcsec": measures.fwhm_arcsec,
            "elongation": measures.elongation,
            "star_count": measures.stars,
            "background_adu": measures.background_adu,
            "grade": verdict.grade,
            "grade_reason": verdict.reasons[0] if verdict.reasons else None,
            "grade_compared": assessed.compared,
            "solution": solution,
        }
    return FrameHeader(**fields)
