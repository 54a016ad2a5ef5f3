"""Packages with plugins, installed as a package installer leaves them, and forgotten again."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path

from midwatch.devices.contract import drivers
from midwatch.sequencer.duties import plugin_registry as registry


class Packages:
    """Installs packages into a folder that is searched first."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def install(self, package: str, group: str, entry_points: str, module: str = "") -> None:
        """Install a package with one module, called after it."""
        text = f"[{group}]\n{entry_points}\n"
        self._describe(package, "1.0", text)
        (self._folder / f"{package}_code.py").write_text(module, encoding="utf-8")
        forget()

    def shipped_without(self, group: str, name: str) -> None:
        """Have what is shipped as if one plugin were not: the first of one name is found."""
        shipped = metadata.distribution("midwatch")
        text = shipped.read_text("entry_points.txt")
        assert text is not None
        lines, inside, left_out = [], False, 0
        for line in text.splitlines():
            if line.startswith("["):
                inside = line == f"[{group}]"
            if inside and line.partition("=")[0].strip() == name:
                left_out += 1
                continue
            lines.append(line)
        assert left_out == 1
        self._describe("midwatch", shipped.version, "\n".join(lines))
        forget()

    def _describe(self, package: str, version: str, entry_points: str) -> None:
        info = self._folder / f"{package}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {package}\nVersion: {version}\n", encoding="utf-8"
        )
        (info / "entry_points.txt").write_text(entry_points, encoding="utf-8")


def forget() -> None:
    """Have installed plugins looked for again."""
    drivers.cache_clear()
    registry._points.cache_clear()


@contextmanager
def packages(folder: Path) -> Iterator[Packages]:
    """Search a folder first for packages, for a while."""
    sys.path.insert(0, str(folder))
    forget()
    try:
        yield Packages(folder)
    finally:
        sys.path.remove(str(folder))
        forget()
        for name in [name for name in sys.modules if name.endswith("_code")]:
            del sys.modules[name]
