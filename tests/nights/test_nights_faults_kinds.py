"""Every kind of fault has its night, and a night with faults can be had again to the last byte."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from midwatch.orders.injected import FAULT_KINDS
from support.fault_expectations import EXPECTED
from support.pace import LIMIT_S

TESTS = Path(__file__).parent.parent
SAMPLED = ("mount-driver-crash-loop", "power-cut")
PROGRAM = """\
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from support.fault_nights import rehearsed
for fault in sys.argv[1:]:
    with TemporaryDirectory() as folder:
        print(fault, rehearsed(Path(folder), fault).outcome.summary.journal_digest)
"""


def test_every_kind_has_its_expectation() -> None:
    assert EXPECTED.keys() == FAULT_KINDS.keys()


def test_the_same_seed_and_faults_give_the_same_journal_in_any_process() -> None:
    faults = [f"{name}@{EXPECTED[name].when}" for name in SAMPLED]
    seen = []
    for hash_seed in ("1", "2027"):
        environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(TESTS)}
        command = [sys.executable, "-W", "ignore", "-c", PROGRAM, *faults]
        run = subprocess.run(
            command, env=environment, capture_output=True, text=True, timeout=LIMIT_S, check=True
        )
        seen.append([line for line in run.stdout.splitlines() if line.split("@")[0] in SAMPLED])
    assert len(seen[0]) == len(set(seen[0])) == len(SAMPLED)
    assert seen[0] == seen[1]
