from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.files import preview_png
from midwatch.imaging.files.preview import encode_png
from support.imaging_truth import gaussian, render


def decode(png: bytes) -> NDArray[np.uint8]:
    """Read a PNG of 8 bits whose rows are unfiltered, checking each chunk on the way."""
    assert png[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    chunks: list[tuple[bytes, bytes]] = []
    at = 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        body = png[at + 4 : at + 8 + length]
        assert struct.unpack(">I", png[at + 8 + length : at + 12 + length])[0] == zlib.crc32(body)
        chunks.append((body[:4], body[4:]))
        at += 12 + length
    assert [name for name, _ in chunks] == [b"IHDR", b"IDAT", b"IEND"]
    width, height, depth, colour, *rest = struct.unpack(">IIBBBBB", chunks[0][1])
    assert (depth, rest) == (8, [0, 0, 0])
    channels = {0: 1, 2: 3}[colour]
    rows = np.frombuffer(zlib.decompress(chunks[1][1]), np.uint8).reshape(height, -1)
    assert (rows[:, 0] == 0).all()
    return rows[:, 1:].reshape(height, width, channels)


@pytest.mark.parametrize("channels", [1, 3])
def test_a_png_says_what_went_in(channels: int) -> None:
    picture = np.random.default_rng(0).integers(0, 256, (13, 17, channels), dtype=np.uint8)
    assert np.array_equal(decode(encode_png(picture)), picture)


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="channels"):
        encode_png(np.zeros((4, 4, 2), np.uint8))


def test_sky_is_dark_grey_and_stars_are_bright() -> None:
    truth = render(gaussian(1.8), flux=(20_000, 100_000), stars=40)
    picture = decode(preview_png(Frame(truth.data), width_px=400))[:, :, 0]
    assert picture.shape == (300, 400)
    assert np.median(picture) == pytest.approx(0.18 * 255, abs=3)
    at_stars = picture[np.rint(truth.y).astype(int), np.rint(truth.x).astype(int)]
    assert np.median(at_stars) > 3 * np.median(picture)
    assert picture.max() == 255


@pytest.mark.parametrize(("width", "expected"), [(400, 400), (399, 200), (120, 100), (9999, 400)])
def test_the_width_asked_for_is_the_most(width: int, expected: int) -> None:
    picture = decode(preview_png(Frame(render(gaussian(1.5)).data), width_px=width))
    assert picture.shape[1] == expected
    assert picture.shape[0] == expected * 3 // 4


@pytest.mark.parametrize("bayer", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_the_colours_of_a_mosaic(bayer: str) -> None:
    rng = np.random.default_rng(3)
    data = rng.normal(1000, 20, (120, 160))
    red = np.zeros((120, 160), bool)
    red[bayer.index("R") // 2 :: 2, bayer.index("R") % 2 :: 2] = True
    patch = np.zeros((120, 160), bool)
    patch[40:60, 60:90] = True
    data[red & patch] += 3000
    picture = decode(preview_png(Frame(data.astype(np.uint16), bayer=bayer), width_px=80))
    assert picture.shape == (60, 80, 3)
    inside = picture[20:30, 30:45].reshape(-1, 3).mean(axis=0)
    outside = picture[40:, :].reshape(-1, 3).mean(axis=0)
    assert inside[0] > 200
    assert inside[1:] == pytest.approx(outside[1:], abs=6)
    # Each colour is stretched by itself: an even sky is grey.
    assert np.ptp(outside) < 6


def test_stars_are_white_on_the_whole_and_keep_their_own_colour() -> None:
    """A mosaic passes the colours unequally, and has two pixels of green."""
    passes = np.tile(np.array([[0.28, 0.36], [0.36, 0.27]]), (120, 160))
    redder = np.tile(np.array([[1.5, 1.0], [1.0, 0.5]]), (120, 160))
    y, x = np.mgrid[0:240, 0:320]
    places = [(row, column) for row in range(20, 240, 40) for column in range(20, 320, 40)]
    light, red = np.zeros((240, 320)), np.zeros((240, 320))
    for number, (row, column) in enumerate(places):
        distance2 = (y - row - 0.5) ** 2 + (x - column - 0.5) ** 2
        (red if number % 8 == 3 else light)[:] += 6000.0 * np.exp(-distance2 / 18.0)
    rng = np.random.default_rng(4)
    electrons = (light + red * redder + 900.0) * passes
    data = np.rint(rng.normal(electrons, np.sqrt(electrons)) + 500.0).astype(np.uint16)
    picture = decode(preview_png(Frame(data, bayer="RGGB"), width_px=160)).astype(float)
    # Around the middle of each star, which is white in any colour.
    colours = np.array([picture[r // 2, [c // 2 - 2, c // 2 + 2]].mean(axis=0) for r, c in places])
    white, reds = np.delete(colours, np.s_[3::8], axis=0), colours[3::8]
    assert np.ptp(np.median(white, axis=0)) < 8
    assert (reds[:, 0] > reds[:, 2] + 50).all()


@pytest.mark.parametrize("value", [0, 900, 65535])
@pytest.mark.parametrize("bayer", [None, "RGGB"])
def test_frames_of_one_value_are_drawn(value: int, bayer: str | None) -> None:
    picture = decode(preview_png(Frame(np.full((50, 60), value, np.uint16), bayer=bayer)))
    assert np.unique(picture).size == 1


def test_one_pixel_and_no_pixel() -> None:
    assert decode(preview_png(Frame(np.ones((1, 1), np.uint16), bayer="RGGB"))).shape == (1, 1, 1)
    with pytest.raises(ValueError, match="draw"):
        preview_png(Frame(np.ones((0, 5), np.uint16)))
    with pytest.raises(ValueError, match="draw"):
        preview_png(Frame(np.ones((5, 5), np.uint16)), width_px=0)


def test_the_same_frame_gives_the_same_bytes() -> None:
    frame = Frame(render(gaussian(1.5)).data)
    assert preview_png(frame) == preview_png(frame)
