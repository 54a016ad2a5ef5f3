"""Finds duties, lookouts, graders and notifiers through entry points, and checks them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import TypeVar

from midwatch.errors import InputError
from midwatch.journal.facts import Activity
from midwatch.sequencer.duties.duty import Duty
from midwatch.sequencer.duties.notifier import Notifier
from midwatch.sequencer.facts import Lookout
from midwatch.sequencer.grading import Grader

T = TypeVar("T")

_CAUSES = frozenset(Activity.model_fields["cause"].annotation.__args__)  # type: ignore[union-attr]

# What each kind must have, by entry-point group.
_NEEDED: dict[str, tuple[str, ...]] = {
    "midwatch.duties": ("name", "cause", "repeatable", "perform"),
    "midwatch.lookouts": ("name", "unit", "trip", "clear", "missing", "read"),
    "midwatch.graders": ("name", "grade"),
    "midwatch.notifiers": ("name", "notify"),
}


class PluginError(InputError):
    """An installed plugin is not what it claims to be; the message names its package."""


@dataclass(frozen=True)
class Registry:
    """The plugins at hand, by name."""

    duties: dict[str, Duty] = field(default_factory=dict)
    lookouts: dict[str, Lookout] = field(default_factory=dict)
    graders: dict[str, Grader] = field(default_factory=dict)
    notifiers: dict[str, Notifier] = field(default_factory=dict)


def load_registry() -> Registry:
    """Load every installed plugin of the sequencer, in the order of their names.

    Raises:
        PluginError: one cannot be imported, lacks something, or two bear one name.
    """
    registry = Registry(
        duties=_load("midwatch.duties"),
        lookouts=_load("midwatch.lookouts"),
        graders=_load("midwatch.graders"),
        notifiers=_load("midwatch.notifiers"),
    )
    for duty in registry.duties.values():
        if duty.cause not in _CAUSES:
            raise PluginError(
                f"duty {duty.name!r}: cause {duty.cause!r} is not one that the ledger knows; "
                f"use one of {', '.join(sorted(_CAUSES))}"
            )
    return registry


def _load(group: str) -> dict[str, T]:
    loaded: dict[str, T] = {}
    for point in _points(group):
        plugin: T = _checked(group, point)
        if point.name in loaded:
            raise PluginError(
                f"{group}: two plugins are called {point.name!r}; the second comes from "
                f"{_package(point)}; uninstall one of them"
            )
        loaded[point.name] = plugin
    return loaded


@cache
def _points(group: str) -> list[EntryPoint]:
    """Return what is installed, which is slow to find; a drill asks for it every night."""
    return sorted(entry_points(group=group), key=lambda p: (p.name, p.value))


def _checked(group: str, point: EntryPoint) -> T:  # type: ignore[type-var]
    where = f"plugin {point.name!r} ({point.value}) of package {_package(point)}"
    try:
        plugin: T = point.load()()
    except Exception as error:
        raise PluginError(f"{where} cannot be loaded: {type(error).__name__}: {error}") from error
    missing = [name for name in _NEEDED[group] if not hasattr(plugin, name)]
    if missing:
        raise PluginError(f"{where} lacks {', '.join(missing)}; see {group} in midwatch.api")
    if plugin.name != point.name:  # type: ignore[attr-defined]
        raise PluginError(
            f"{where} calls itself {plugin.name!r}; "  # type: ignore[attr-defined]
            "make its name and its entry point agree"
        )
    return plugin


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else "unknown"
