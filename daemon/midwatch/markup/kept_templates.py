"""Keeps compiled templates next to their sources, as Python keeps its modules.

Compiling the templates of the report takes longer than filling them. What was kept is used only
with the very source and the versions of Python and library that it was made of.
"""

from __future__ import annotations

import contextlib
import os
import sys
from importlib import resources
from pathlib import Path

from jinja2.bccache import Bucket, BytecodeCache

__all__ = ["KeptTemplates"]


class KeptTemplates(BytecodeCache):
    """Compiled templates in the folder ``templates/__pycache__`` of a package.

    Where nothing can be written or read there, templates are compiled for each process.
    """

    def __init__(self, package: str) -> None:
        self._folder = Path(str(resources.files(package))) / "templates" / "__pycache__"

    def load_bytecode(self, bucket: Bucket) -> None:
        """Fill a bucket, if what was kept fits it; whatever is wrong with it, it is left."""
        with contextlib.suppress(Exception), self._path(bucket).open("rb") as file:
            bucket.load_bytecode(file)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep what a bucket holds; another process never sees half of it."""
        if sys.dont_write_bytecode:
            return
        path = self._path(bucket)
        written = path.with_suffix(f".{os.getpid()}")
        with contextlib.suppress(OSError):
            self._folder.mkdir(exist_ok=True)
            written.write_bytes(bucket.bytecode_to_string())
            written.replace(path)

    def _path(self, bucket: Bucket) -> Path:
        return self._folder / f"{bucket.key}.{sys.implementation.cache_tag}.template"
