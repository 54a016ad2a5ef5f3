"""Taking frames over both kinds of spool, and where its work is done."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest

from midwatch.devices.client import FolderSpool, FrameCorruptError, MemorySpool
from midwatch.imaging import Frame, InlineMeasurer, Measurer, ProcessMeasurer
from midwatch.imaging.files import read_fits, verify_checksum
from midwatch.imaging.stars import measure_stars
from midwatch.sequencer.camera import frame_pixels as negatives
from support.frame_taker_bench import darkroom_of, held, kept_frame, some_header
from support.imaging_truth import gaussian, render

TRUTH = render(gaussian(1.5), stars=40, flux=(20_000, 90_000))


def drive(measurer: Measurer, story: Callable[[], Awaitable[None]]) -> None:
    async def seen() -> None:
        try:
            await story()
        finally:
            await measurer.close()

    asyncio.run(seen())


@pytest.mark.parametrize("outside", [False, True], ids=["rehearsed", "real"])
def test_a_frame_is_measured_drawn_and_filed(tmp_path: Path, outside: bool) -> None:
    measurer: Measurer = ProcessMeasurer() if outside else InlineMeasurer()
    spool = FolderSpool(tmp_path / "spool") if outside else MemorySpool("frames-test")
    ref = kept_frame(spool, TRUTH.data)
    frame_taker, _ = darkroom_of(measurer, tmp_path)
    here = measure_stars(Frame(TRUTH.data), scale_arcsec=1.0)

    async def story() -> None:
        negatives._at_hand.clear()
        shot = await frame_taker.look(ref)
        assert (shot.measures.stars, shot.measures.hfr_px) == (here.count, here.hfr_px)
        assert len(shot.measures.zones) == 9 and shot.measures.trails == 0
        assert await frame_taker.preview(shot, Path("previews/a.png")) == "previews/a.png"
        facts = await frame_taker.file(shot, some_header(), Path("frames/a.fits"))
        assert facts.path == tmp_path / "frames/a.fits" and verify_checksum(facts.path)
        assert np.array_equal(read_fits(facts.path).data, TRUTH.data)
        assert (tmp_path / "previews/a.png").read_bytes().startswith(b"\x89PNG")
        (number, _), *at_hand = await measurer.run(held)
        assert at_hand == [(ref.where, ref.sha256)]
        if outside:
            # Neither the pixels nor the work were ever in the daemon's own process.
            assert int(number) != os.getpid()
            assert not negatives._at_hand

    drive(measurer, story)


def test_a_frame_whose_worker_died_is_fetched_again_and_filed(tmp_path: Path) -> None:
    measurer = ProcessMeasurer()
    ref = kept_frame(FolderSpool(tmp_path / "spool"), TRUTH.data)
    frame_taker, _ = darkroom_of(measurer, tmp_path)

    async def story() -> None:
        shot = await frame_taker.look(ref)
        (worker, _), *_ = await measurer.run(held)
        os.kill(int(worker), 9)
        facts = await frame_taker.file(shot, some_header(), Path("a.fits"))
        assert np.array_equal(read_fits(facts.path).data, TRUTH.data)

    drive(measurer, story)


@pytest.mark.parametrize("outside", [False, True], ids=["rehearsed", "real"])
def test_a_frame_that_changed_in_the_spool_is_reported(tmp_path: Path, outside: bool) -> None:
    measurer: Measurer = ProcessMeasurer() if outside else InlineMeasurer()
    ref = kept_frame(FolderSpool(tmp_path / "spool"), TRUTH.data)
    path = tmp_path / "spool" / f"{ref.sha256}.bin"
    path.write_bytes(b"\x01\x02" + path.read_bytes()[2:])
    frame_taker, _ = darkroom_of(measurer, tmp_path)

    async def story() -> None:
        with pytest.raises(FrameCorruptError, match=ref.sha256[:12]):
            await frame_taker.look(ref)

    drive(measurer, story)


def test_two_biases_give_the_noise_of_one(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    spool, measurer = MemorySpool("bias-test"), InlineMeasurer()
    frame_taker, _ = darkroom_of(measurer, tmp_path)

    async def story() -> None:
        noise = []
        for number in range(3):
            pixels = rng.normal(500.0, 6.0, (90, 120)).round().astype(np.uint16)
            ref = kept_frame(spool, pixels, "bias", f"b-{number}")
            shot = await frame_taker.look(ref)
            await frame_taker.file(shot, some_header(0.0), Path(f"b{number}.fits"))
            spool.drop(ref.sha256)
            noise.append(await frame_taker.pair_noise_adu(shot))
        assert noise[0] is None
        assert noise[1:] == pytest.approx([6.0, 6.0], rel=0.04)

    drive(measurer, story)


def test_a_frame_that_cannot_be_measured_is_still_filed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("no room")

    monkeypatch.setattr(negatives, "measure_stars", breaks)
    ref = kept_frame(MemorySpool("broken-test"), TRUTH.data)
    frame_taker, _ = darkroom_of(InlineMeasurer(), tmp_path)

    async def story() -> None:
        shot = await frame_taker.look(ref)
        assert (shot.measures.stars, shot.measures.hfr_px) == (0, None)
        assert shot.measures.background_adu == pytest.approx(float(np.median(TRUTH.data)))
        facts = await frame_taker.file(shot, some_header(), Path("a.fits"))
        assert np.array_equal(read_fits(facts.path).data, TRUTH.data)

    asyncio.run(story())
