"""The spool on disk against real kills."""

import json
import os
import random
import signal
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from structlog.testing import capture_logs

from midwatch.devices.client import FolderSpool, fetch
from midwatch.devices.contract.kinds import Expose
from support.device_toys import frame_ref

LIVES = 20


def keep_until_killed(folder: Path, life: int, promises: int) -> None:
    """What a host does in its life: keep frames, and say so."""
    spool = FolderSpool(folder)
    rng = np.random.default_rng(life)
    os.write(promises, b"ready\n")
    while True:
        pixels = rng.integers(0, 65536, (100, 120), dtype=np.uint16)
        command = Expose(exposure_id=f"{life}", frame="light", exposure_s=1)
        began = datetime(2027, 3, 10, tzinfo=UTC)
        ref = spool.keep(pixels, frame_ref(command, began, pixels.shape))
        os.write(promises, f"{ref.sha256}\n".encode())


def one_life(folder: Path, life: int, lasts_s: float) -> list[str]:
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            with capture_logs():
                keep_until_killed(folder, life, write)
        finally:
            os._exit(1)
    os.close(write)
    assert os.read(read, 6) == b"ready\n"
    time.sleep(lasts_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the child ended by itself"
    with os.fdopen(read) as promises:
        return promises.read().split("\n")[:-1]


def test_a_killed_host_keeps_every_frame_that_it_had_promised(tmp_path):
    seed = int.from_bytes(os.urandom(4), "big")
    print("seed", seed)
    chance = random.Random(seed)
    folder = tmp_path / "spool"
    promised: list[str] = []
    lives = 0
    while lives < LIVES or len(promised) < 5:  # on a busy machine a life may be too short for any
        promised += one_life(folder, lives, chance.uniform(0.0, 0.06))
        lives += 1
    with capture_logs():
        spool = FolderSpool(folder)
    kept = [ref.sha256 for ref in spool.waiting()]
    assert set(promised) <= set(kept)
    # One frame of each life may have been whole on the disk and not yet promised.
    assert len(kept) <= len(promised) + lives
    for ref in spool.waiting():
        assert fetch(ref).shape == (100, 120)
    described = {json.loads(path.read_text())["sha256"] for path in folder.glob("*.json")}
    assert described == {path.stem for path in folder.glob("*.bin")} == set(kept)
    assert not list(folder.glob("*.part"))
