import hashlib
from datetime import UTC, datetime

import numpy as np
import pytest
from structlog.testing import capture_logs

from midwatch.devices.client import FolderSpool, FrameCorruptError, MemorySpool, fetch
from midwatch.devices.contract.kinds import Expose, FrameRef
from support.device_toys import frame_ref

BEGAN = datetime(2027, 3, 10, 21, 0, tzinfo=UTC)


def reference(exposure_id="e1", shape=(5, 7)) -> FrameRef:
    return frame_ref(Expose(exposure_id=exposure_id, frame="light", exposure_s=60), BEGAN, shape)


def noise(seed=1, shape=(5, 7)):
    return np.random.default_rng(seed).integers(0, 65536, shape, dtype=np.uint16)


@pytest.fixture(params=["folder", "memory"])
def spool(request, tmp_path):
    if request.param == "folder":
        yield FolderSpool(tmp_path / "a spool")
    else:
        spool = MemorySpool("test camera")
        yield spool
        spool.close()


def test_kept_pixels_come_back_under_the_checksum_of_their_little_endian_bytes(spool):
    pixels = noise()
    ref = spool.keep(pixels, reference())
    assert ref.sha256 == hashlib.sha256(pixels.astype("<u2").tobytes()).hexdigest()
    assert ref.exposure_id == "e1"
    found = fetch(ref)
    assert np.array_equal(found, pixels)
    assert not found.flags.writeable
    pixels[:] = 0
    assert np.array_equal(fetch(ref), noise())


def test_rows_and_columns_keep_their_places_whatever_the_layout_in_memory(spool):
    pixels = np.asfortranarray(noise())
    assert np.array_equal(fetch(spool.keep(pixels, reference())), noise())


def test_waiting_is_oldest_first_until_dropped(spool):
    refs = [spool.keep(noise(i), reference(f"e{i}")) for i in (3, 1, 2)]
    assert spool.waiting() == tuple(refs)
    spool.drop(refs[1].sha256)
    spool.drop("f" * 64)
    assert spool.waiting() == (refs[0], refs[2])
    with pytest.raises(FrameCorruptError):
        fetch(refs[1])
    assert np.array_equal(fetch(refs[2]), noise(2))


def test_two_exposures_with_the_same_pixels_are_two_frames(spool):
    first = spool.keep(noise(), reference("e1"))
    second = spool.keep(noise(), reference("e2"))
    assert [ref.exposure_id for ref in spool.waiting()] == ["e1", "e2"]
    spool.drop(first.sha256)
    assert spool.waiting() == (second,)
    assert np.array_equal(fetch(second), noise())


@pytest.mark.parametrize("pixels", [noise(shape=(7, 5)), noise().astype(np.int32)])
def test_pixels_that_do_not_fit_their_reference_are_refused(spool, pixels):
    with pytest.raises(ValueError, match="shape"):
        spool.keep(pixels, reference())
    assert spool.waiting() == ()


def test_a_folder_is_read_again_by_the_next_process_and_may_have_moved(tmp_path):
    spool = FolderSpool(tmp_path / "old")
    refs = [spool.keep(noise(i), reference(f"e{i}")) for i in range(3)]
    spool.drop(refs[0].sha256)
    (tmp_path / "old").rename(tmp_path / "new")
    again = FolderSpool(tmp_path / "new")
    assert [ref.exposure_id for ref in again.waiting()] == ["e1", "e2"]
    assert np.array_equal(fetch(again.waiting()[1]), noise(2))
    again.keep(noise(9), reference("e9"))
    assert [ref.exposure_id for ref in FolderSpool(tmp_path / "new").waiting()] == [
        "e1", "e2", "e9",
    ]  # fmt: skip
    assert again.quarantined == 0


def test_what_is_damaged_is_set_aside_and_the_rest_is_kept(tmp_path):
    spool = FolderSpool(tmp_path)
    refs = [spool.keep(noise(i), reference(f"e{i}")) for i in range(5)]
    paths = [tmp_path / f"{ref.sha256}.bin" for ref in refs]
    paths[0].write_bytes(paths[0].read_bytes()[:-1])
    flipped = bytearray(paths[1].read_bytes())
    flipped[3] ^= 1
    paths[1].write_bytes(flipped)
    paths[2].unlink()
    (tmp_path / "00000003.json").write_text('{"sha256": "')
    (tmp_path / "half.part").write_bytes(b"abc")
    for ref in refs[:3]:
        with pytest.raises(FrameCorruptError):
            fetch(ref)
    with capture_logs() as logs:
        again = FolderSpool(tmp_path)
    assert [ref.exposure_id for ref in again.waiting()] == ["e4"]
    assert {entry["event"] for entry in logs} == {"spool_entry_quarantined"}
    # Four descriptions, and the pixels of three of them.
    assert again.quarantined == 7
    assert len(list((tmp_path / "quarantine").iterdir())) == 7
    assert not list(tmp_path.glob("*.part"))
    assert again.keep(noise(), reference("new")).exposure_id == "new"
    assert FolderSpool(tmp_path).quarantined == 0


def test_a_reference_that_points_nowhere_is_refused():
    with pytest.raises(ValueError, match="no spool"):
        fetch(reference().model_copy(update={"where": "http://somewhere"}))
    with pytest.raises(FrameCorruptError):
        fetch(reference().model_copy(update={"where": "memory:nobody"}))
