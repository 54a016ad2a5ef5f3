"""Files of a small invented night, and the command line run inside the test's own process."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from midwatch.interface.cli.entry import main

SITE = """\
name: Test Field
latitude_deg: 46.2
longitude_deg: 13.4
timezone: Europe/Vienna
horizon: 10
"""

RIG = """\
name: Bench
optics: {focal_length_mm: 420, aperture_mm: 85}
devices:
  mount: {driver: simulated-mount}
  camera:
    driver: simulated-camera
    options: {width_px: 900, height_px: 700, pixel_um: 10.8}
  focuser: {driver: simulated-focuser, options: {best_position: 15000}}
camera: {pixel_um: 10.8}
focus: {start_position: 15000, step: 80}
"""

ORDERS = """\
site: site.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: M 101
    frames:
      - {exposure_s: 240, count: 12}
"""


@dataclass(frozen=True)
class Said:
    """What a command said and returned."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output, which must be JSON and nothing else."""
        return json.loads(self.out)


def write_night(folder: Path, *, orders: str = ORDERS, rig: str = RIG, site: str = SITE) -> Path:
    """Write the three files and return the path of the orders."""
    for name, text in (("orders.yaml", orders), ("rig.yaml", rig), ("site.yaml", site)):
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "orders.yaml"


def midwatch(*words: object) -> Said:
    """Run one command of the command line."""
    out, err = io.StringIO(), io.StringIO()
    with logs_left_alone(), redirect_stdout(out), redirect_stderr(err):
        try:
            code = main([str(word) for word in words])
        except SystemExit as error:
            code = int(str(error.code))
    return Said(code, out.getvalue(), err.getvalue())


@contextmanager
def logs_left_alone() -> Iterator[None]:
    """Undo what a command does to logging, so that no test inherits it from another."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    config = structlog.get_config()
    try:
        yield
    finally:
        root.handlers[:] = handlers
        root.setLevel(level)
        structlog.configure(**config)
        structlog.contextvars.clear_contextvars()
