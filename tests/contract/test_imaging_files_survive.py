"""A frame is on disk whole or not at all, whenever its writer is killed."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from midwatch.imaging.files import verify_checksum

WRITER = """
import sys
from pathlib import Path
import numpy as np
from midwatch.imaging.files import write_fits
pixels = np.random.default_rng(1).integers(0, 65536, (700, 900), dtype=np.uint16)
for number in range(10_000):
    write_fits(Path(sys.argv[1]) / f"{number % 40:05d}.fits", pixels + np.uint16(number), [])
    print(number, flush=True)
"""


@pytest.mark.parametrize("delay_s", [0.013, 0.057, 0.101])
def test_a_writer_killed_at_any_moment_leaves_only_whole_files(
    tmp_path: Path, delay_s: float
) -> None:
    command = [sys.executable, "-c", WRITER, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline().strip() == "0"
        time.sleep(delay_s)
        writer.kill()
        seen = [line for line in writer.stdout.read().split("\n") if line]
    files = sorted(tmp_path.glob("*.fits"))
    # What the writer reported as written is there, and whatever bears a name is whole.
    assert len(files) >= min(40, 1 + len(seen))
    assert all(verify_checksum(path) for path in files)
    assert len(list(tmp_path.glob("*.partial"))) <= 1
