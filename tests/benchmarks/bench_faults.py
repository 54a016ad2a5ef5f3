"""What a short night keeps under every kind of fault, brought about at several instants.

Run by hand: ``PYTHONPATH=tests python tests/benchmarks/bench_faults.py [KIND ...]``. One line a
night: how much of the undisturbed night's accepted integration it kept, what its record says, and
what is wrong with it, if anything is.
"""

from __future__ import annotations

import logging
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import structlog

from midwatch.orders.injected import FAULT_KINDS
from support.fault_nights import FaultNight, rehearsed, undisturbed

# While the rig opens and points, in an early exposure, in a middle one, and as the night closes.
INSTANTS = ("19:37:30", "19:52:00", "20:20:40", "21:09:00")
# Where a kind has no length of its own choosing: not much longer than it can be.
LONGEST_S = 600.0


def duration(name: str) -> str:
    """Return how long a fault lasts here, as on the command line."""
    kind = FAULT_KINDS[name]
    return "" if kind.instant else f"+{min(kind.drawn_s[1], LONGEST_S):.0f}s"


def wrong(night: FaultNight) -> list[str]:
    """Return what is wrong with a night, in a few words."""
    found = [f"promise {p.number}" for p in night.outcome.summary.promises if p.ok is False]
    ends = night.end
    found += [f"not {what}" for what in ("parked", "warm", "closed") if not getattr(ends, what)]
    found += [f"{fault.fault_id} stands" for fault in night.faults if fault.ended is None]
    if night.witness.moved_under_roof():
        found.append("moved under the roof")
    return found


def main(names: list[str]) -> None:
    """Print the table."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    whole_s = undisturbed().integration_s
    print(f"undisturbed: {whole_s:.0f} s accepted")
    for name in names or list(FAULT_KINDS):
        for instant in INSTANTS:
            fault = f"{name}@{instant}{duration(name)}"
            with TemporaryDirectory() as folder:
                try:
                    night = rehearsed(Path(folder), fault)
                except Exception as error:  # the table goes on; this is its worst line
                    print(f"{fault:42} the night broke off: {error!r}", flush=True)
                    continue
            seen = sorted({f"{fault.device}.{fault.kind}" for fault in night.faults})
            print(
                f"{fault:42} {100 * night.integration_s / whole_s:4.0f} %  "
                f"{', '.join(seen) or '-'}  {'WRONG: ' if wrong(night) else ''}"
                f"{'; '.join(wrong(night))}",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
