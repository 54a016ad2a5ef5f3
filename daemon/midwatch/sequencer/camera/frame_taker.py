"""From a command to a frame on disk: exposing, fetching, measuring, filing, acknowledging.

The order is the promise: the driver keeps a frame in its spool until it is on disk, complete and
journaled; only then is it acknowledged. Whatever dies in between, the frame is found again.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Coroutine, Set
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from midwatch import __version__
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, FrameCorruptError
from midwatch.devices.contract import DeviceAbout, FrameKind
from midwatch.devices.contract.kinds import Acknowledge, CameraState, Expose, FrameRef
from midwatch.durable import make_folder
from midwatch.imaging import Measurer
from midwatch.imaging.files import FileFacts, FrameHeader, light_cards
from midwatch.sequencer.camera.frame_measures import FrameAnalysis, FrameMeasures
from midwatch.sequencer.camera.frame_pixels import drawn, pair_noise_of_files, written
from midwatch.tasks import end, start

# On top of the exposure, for reading out and for a slow link. Too short: a good frame is taken
# for lost; too long: a hung camera is noticed late.
READ_OUT_ALLOWANCE_S = 90.0
# What measuring and filing a frame costs in a rehearsal, where it takes no time by itself.
_REHEARSED_WORK_S = 0.4
# Where rejected lights lie, in the folder of their target.
_REJECTED = "rejected"


@dataclass(frozen=True)
class Shot:
    """A frame that was read out, with what it shows; its pixels stay in the camera's spool."""

    ref: FrameRef
    measures: FrameMeasures


@dataclass(frozen=True)
class CameraSetting:
    """How an exposure is read."""

    gain: int
    offset: int
    binning: int


class FrameTaker:
    """Takes exposures with one camera and files them in a night's folder.

    Args:
        folder: of the night; frames go below it.
        durable: force files to the disk (real nights).
        identify: gives the identifier of the next exposure.
    """

    def __init__(
        self,
        camera: DeviceClient[CameraState],
        clock: Clock,
        analysis: FrameAnalysis,
        measurer: Measurer,
        folder: Path,
        *,
        durable: bool,
        identify: Callable[[], str],
    ) -> None:
        self._camera = camera
        self._clock = clock
        self._analysis = analysis
        self._measurer = measurer
        self.folder = folder
        self._durable = durable
        self.identify = identify
        self._biases: deque[tuple[FrameRef, Path]] = deque(maxlen=2)

    async def expose(
        self,
        frame: FrameKind,
        exposure_s: float,
        setting: CameraSetting,
        exposure_id: str,
        shutter_closed: Callable[[], None] | None = None,
    ) -> FrameRef:
        """Take one exposure; ``shutter_closed`` is called when its time is over."""
        command = Expose(
            exposure_id=exposure_id,
            frame=frame,
            exposure_s=exposure_s,
            gain=setting.gain,
            offset=setting.offset,
            binning=setting.binning,
        )
        wait = self._camera.do(command, timeout_s=exposure_s + READ_OUT_ALLOWANCE_S)
        if shutter_closed is None:
            return await wait
        return await _with_timer(self._clock, wait, exposure_s, shutter_closed)

    async def look(self, ref: FrameRef) -> Shot:
        """Fetch a frame from the spool and measure it.

        Raises:
            FrameCorruptError: it is gone, is not what its reference says, or has other sides than
                the camera announces.
        """
        check_sides(self._camera.about, ref)
        measures = await self._analysis.look(ref)
        if self._clock.virtual:
            await self._clock.sleep(_REHEARSED_WORK_S)
        return Shot(ref, measures)

    async def throwaway(self, frame: FrameKind, exposure_s: float, setting: CameraSetting) -> Shot:
        """Take, measure and release a frame that is not kept (focus, plate solving)."""
        ref = await self.expose(frame, exposure_s, setting, self.identify())
        try:
            shot = await self.look(ref)
        except FrameCorruptError:
            await self.release(ref)
            raise
        await self.release(ref)
        return shot

    async def release(self, ref: FrameRef) -> None:
        """Let the driver drop a frame from its spool."""
        await self._camera.do(Acknowledge(sha256=ref.sha256), timeout_s=20.0)

    async def file(self, shot: Shot, header: FrameHeader, relative: Path) -> FileFacts:
        """Write a frame below the night's folder, whole or not at all."""
        path = self.folder / relative
        make_folder(path.parent)
        cards = light_cards(header)
        facts = await self._measurer.run(written, path, shot.ref, cards, self._durable)
        if shot.ref.frame == "bias":
            self._biases.append((shot.ref, path))
        return facts

    def set_apart(self, relative: str) -> str | None:
        """Give a light that was rejected later its second name, in ``rejected``; return that.

        The first one stays until `forget`, so that the journal's is there whatever happens between
        the two. None where the disk does not take it.
        """
        old = self.folder / relative
        if old.parent.name == _REJECTED:
            return None
        new = old.parent / _REJECTED / old.name
        try:
            make_folder(new.parent)
            new.unlink(missing_ok=True)
            new.hardlink_to(old)
        except OSError:
            return None
        return new.relative_to(self.folder).as_posix()

    def forget(self, relative: str) -> None:
        """Take away a name that the journal gives no more; a disk that refuses keeps it."""
        with contextlib.suppress(OSError):
            (self.folder / relative).unlink(missing_ok=True)

    def tidy(self, known: Set[str]) -> None:
        """Take away second names that a daemon which died has left.

        Args:
            known: what the journal calls its files.
        """
        for apart in sorted(self.folder.glob(f"frames/*/{_REJECTED}/*.fits")):
            beside = apart.parent.parent / apart.name
            names = {path.relative_to(self.folder).as_posix() for path in (apart, beside)}
            if beside.exists() and len(names & known) == 1:
                self.forget(*(names - known))

    async def pair_noise_adu(self, bias: Shot) -> float | None:
        """Return the noise of the bias filed last by its difference from the one before.

        None if there is none before, or one that was read otherwise.
        """
        if len(self._biases) < 2:
            return None
        (before, before_path), (last, last_path) = self._biases
        if last.exposure_id != bias.ref.exposure_id or not _same_setting(before, last):
            return None
        return await self._measurer.run(pair_noise_of_files, (before_path, last_path))

    async def preview(self, shot: Shot, relative: Path) -> str:
        """Write a small stretched picture of a frame and return its path below the folder."""
        path = self.folder / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        await self._measurer.run(drawn, path, shot.ref)
        return relative.as_posix()


def check_sides(about: DeviceAbout | None, ref: FrameRef) -> None:
    """Compare the sides of a frame with those that its camera announces, if it does.

    They are ``frame_width_px`` and ``frame_height_px`` of its limits, at any binning, or else the
    sensor's ``width_px`` and ``height_px`` by the binning, without remainder.

    Raises:
        FrameCorruptError: they differ; such a frame cannot be stacked with others.
    """
    limits = {} if about is None else about.limits
    for side, found_px in (("width", ref.width_px), ("height", ref.height_px)):
        sent, sensor = limits.get(f"frame_{side}_px"), limits.get(f"{side}_px")
        wanted_px = sensor // ref.binning if isinstance(sensor, int) else None
        wanted_px = sent if isinstance(sent, int) else wanted_px
        if wanted_px is not None and found_px != wanted_px:
            raise FrameCorruptError(
                f"frame {ref.sha256[:12]} has a {side} of {found_px} px; the camera announces "
                f"{wanted_px} px: look for a region that another program has set"
            )


def frame_path(
    frame: str,
    target: str | None,
    filter_name: str | None,
    ref: FrameRef,
    number: int,
    *,
    rejected: bool = False,
) -> Path:
    """Return where a frame is filed below the night's folder.

    Lights go to ``frames/<target>/``, those that were rejected to ``rejected`` in it, so that what
    stacks a folder does not meet them; everything else goes to ``calibration/<kind>/``.
    """
    began = ref.began_at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    exposure = f"{ref.exposure_s:.0f}s" if ref.exposure_s >= 1 else f"{ref.exposure_s * 1000:.0f}ms"
    subject = plain_name(target) if target else frame
    parts = [subject, filter_name and plain_name(filter_name), exposure, began, f"{number:04d}"]
    name = "_".join(part for part in parts if part) + ".fits"
    folder = Path("frames") / subject if frame == "light" else Path("calibration") / frame
    return folder / _REJECTED / name if rejected else folder / name


def plain_name(text: str) -> str:
    """Return a name that every file system takes."""
    kept = "".join(c if c.isalnum() or c in "-+" else "-" for c in text.strip())
    return "-".join(part for part in kept.split("-") if part) or "unnamed"


def common_header(ref: FrameRef) -> dict[str, Any]:
    """Return the header fields that a frame's reference alone determines."""
    return {
        "start": ref.began_at.astimezone(UTC),
        "exposure_s": ref.exposure_s,
        "version": __version__,
        "pixel_um": ref.pixel_um,
        "binning_x": ref.binning,
        "binning_y": ref.binning,
        "gain": ref.gain,
        "offset": ref.offset,
        "gain_e_per_adu": ref.electrons_per_adu,
        "sensor_c": ref.sensor_c,
        "setpoint_c": ref.setpoint_c,
        "saturation_adu": ref.saturation_adu,
        "bayer": ref.bayer,
        "first_row": ref.first_row,
    }


def _same_setting(one: FrameRef, other: FrameRef) -> bool:
    return (one.gain, one.offset, one.binning, one.width_px, one.height_px) == (
        other.gain, other.offset, other.binning, other.width_px, other.height_px,
    )  # fmt: skip


def utc(at_s: float) -> datetime:
    """Return POSIX seconds as an aware UTC datetime."""
    return datetime.fromtimestamp(at_s, UTC)


async def _with_timer(
    clock: Clock,
    wait: Coroutine[Any, Any, FrameRef],
    exposure_s: float,
    shutter_closed: Callable[[], None],
) -> FrameRef:
    """Await an exposure and mark the moment at which its shutter time is over."""

    async def mark() -> None:
        await clock.sleep(exposure_s)
        shutter_closed()

    timer = start("shutter timer", mark())
    try:
        ref = await wait
    finally:
        await end(timer, reason="the exposure is over")
    if not timer.cancelled():
        timer.result()  # what could not be marked must not pass for marked
    return ref
