"""Nights whose processes are killed at random instants: what is left at the end.

    python tests/benchmarks/bench_kills.py [--kills 200] [--each 12] [--seed 1] [--keep FOLDER]

Each night runs over a real Mosquitto with a process for each device. The daemon and the devices
are killed (SIGKILL) at instants and in an order drawn from the seed; the daemon is started again as
a service manager would. A night counts if no frame that was read out is lost or doubled, the
journal's chain is whole, the night has ended by itself with the rig at rest, and no promise is
broken.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from midwatch.journal.facts import FaultBegan, FrameLost
from support.nights_bench import Mosquitto, Onlooker, StandingNight

# Real seconds from one kill to the next: from the middle of a start to several frames later.
PAUSES_S = (1.0, 9.0)
LIMIT_S = 420.0


def killed_night(
    folder: Path, seed: int, kills: int, count: int = 10
) -> tuple[list[str], str, int]:
    """Run one night with so many kills at most: it may end before them.

    Returns:
        What is wrong with it, what it was like, and how many processes were killed.
    """
    rng = np.random.default_rng(seed)
    broker = Mosquitto(folder)
    onlooker = Onlooker(broker.port)
    night = StandingNight(folder, broker.port, count=count, seed=seed)
    struck: Counter[str] = Counter()
    began_s = time.monotonic()
    try:
        night.start()
        while sum(struck.values()) < kills and not night.finished():
            time.sleep(float(rng.uniform(*PAUSES_S)))
            victims = {"daemon": night.process.pid, **night.pids()}
            names = sorted(victims)
            name = names[int(rng.integers(len(names)))]
            if name == "daemon" and night.process.poll() is not None:
                continue
            with contextlib.suppress(ProcessLookupError):
                os.kill(victims[name], signal.SIGKILL)
                struck[name] += 1
        while not night.finished():
            if time.monotonic() - began_s > LIMIT_S:
                seen = f"not finished within {LIMIT_S:.0f} s: {night.said()[-800:]}"
                return [seen], str(struck), struck.total()
            time.sleep(0.3)
        time.sleep(0.5)
        tally = dict(sorted(struck.items()))
        story = (
            f"{tally}, {len(night.processes)} lives, {night.filed()} frames, "
            f"{len(night.facts(FrameLost))} lost in exposure, "
            f"{len(night.facts(FaultBegan))} faults, {time.monotonic() - began_s:.0f} s"
        )
        return night.problems(onlooker), story, struck.total()
    finally:
        night.end()
        onlooker.close()
        broker.kill()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--each", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="keep the folders of broken nights here")
    args = parser.parse_args()
    done, broken, seed = 0, 0, args.seed
    while done < args.kills:
        folder = Path(tempfile.mkdtemp(prefix="kills-"))
        wanted = min(args.each, args.kills - done)
        wrong, story, killed = killed_night(folder, seed, wanted)
        done += killed
        print(f"seed {seed}: {story}: {wrong or 'good'}", flush=True)
        if wrong:
            broken += 1
            if args.keep is not None:
                shutil.copytree(folder, args.keep / str(seed), dirs_exist_ok=True)
        shutil.rmtree(folder)
        seed += 1
    print(f"{done} kills, {seed - args.seed} nights, {broken} broken")
    raise SystemExit(1 if broken else 0)


if __name__ == "__main__":
    main()
