"""The versions that CI runs with are all named, and are versions that the project allows."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parent.parent.parent.parent
LOCK = ROOT / ".ci" / "lock.txt"
RENEW = "renew it: bash .ci/renew-lock"


def locked() -> dict[str, str]:
    lines = [line for line in LOCK.read_text().splitlines() if line and not line.startswith("#")]
    pairs = [re.fullmatch(r"([\w.-]+)==(\S+)", line) for line in lines]
    assert all(pairs), "the lock names one version of each, and nothing else"
    return {canonicalize_name(pair[1]): pair[2] for pair in pairs if pair}


def declared() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    return [Requirement(text) for text in
            (*project["dependencies"], *project["optional-dependencies"]["test"])]  # fmt: skip


def needed() -> Iterator[Requirement]:
    """Yield what the project declares, and what that needs, as installed here."""
    seen: set[tuple[str, frozenset[str]]] = set()
    left = declared()
    while left:
        wanted = left.pop()
        if (key := (canonicalize_name(wanted.name), frozenset(wanted.extras))) in seen:
            continue
        seen.add(key)
        yield wanted
        for text in requires(wanted.name) or ():
            further = Requirement(text)
            extras = wanted.extras or {""}
            if further.marker is None or any(
                further.marker.evaluate({"extra": extra}) for extra in extras
            ):
                left.append(further)


@pytest.mark.parametrize("wanted", declared(), ids=lambda wanted: wanted.name)
def test_each_dependency_is_locked_within_its_bounds(wanted: Requirement) -> None:
    found = locked().get(canonicalize_name(wanted.name))
    assert found is not None, f"{wanted.name} is not in the lock; {RENEW}"
    assert wanted.specifier.contains(found), f"the lock has {wanted.name} {found}; {RENEW}"


def test_what_dependencies_need_is_locked_too() -> None:
    names = {canonicalize_name(wanted.name) for wanted in needed()}
    assert names - locked().keys() == set(), RENEW
    assert len(names) > len(declared()) + 10, "the walk goes beyond what is declared"


@pytest.mark.skipif(sys.version_info[:2] != (3, 11), reason="the lock is of Python 3.11")
def test_the_lock_is_what_is_installed() -> None:
    """Otherwise journals may differ from those of CI in their last digits."""
    installed = {}
    for name in locked():
        try:
            installed[name] = version(name)
        except PackageNotFoundError:
            installed[name] = "missing"
    differing = {
        name: (installed[name], found)
        for name, found in locked().items()
        if installed[name] == "missing" or Version(installed[name]) != Version(found)
    }
    assert differing == {}, "install with --constraint .ci/lock.txt, as tests/run does"
