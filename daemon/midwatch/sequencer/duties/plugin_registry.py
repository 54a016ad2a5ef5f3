"""Finds duties, lookouts, graders and notifiers through entry points, and checks them.

What is checked: that each is shaped as its contract says, that every duty which the core may choose
is there and takes the arguments that decisions hand it, and that no two bear one name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any, cast

from midwatch.errors import InputError, StopError
from midwatch.journal.facts import Activity
from midwatch.plugin_shape import Attribute, Method, Shape, annotated, misfits, origin
from midwatch.sequencer.decision import CORE_DUTIES, CoreArgs, DutyArgs, EngineWord
from midwatch.sequencer.duties.duty import Duty
from midwatch.sequencer.duties.notifier import Notifier
from midwatch.sequencer.facts import Lookout
from midwatch.sequencer.grading import Grader

__all__ = ["PluginError", "Registry", "load_registry"]

_CAUSES: tuple[str, ...] = Activity.model_fields["cause"].annotation.__args__  # type: ignore[union-attr]

# What decisions name and the engine does: a duty of such a name would never be performed.
_WORDS = frozenset(word.duty for word in EngineWord.__subclasses__()) - CORE_DUTIES.keys()


class PluginError(InputError):
    """Installed plugins are not what they claim to be, or one is missing.

    Attributes:
        problems: each names the plugin, its package, and what to write instead.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Registry:
    """The plugins at hand, by name."""

    duties: Mapping[str, Duty[DutyArgs]] = field(default_factory=dict)
    lookouts: Mapping[str, Lookout] = field(default_factory=dict)
    graders: Mapping[str, Grader] = field(default_factory=dict)
    notifiers: Mapping[str, Notifier] = field(default_factory=dict)

    def duty_for(self, name: str, args: DutyArgs) -> Duty[DutyArgs]:
        """Return the duty that does what was decided.

        Raises:
            StopError: none is called so, or it takes other arguments.
        """
        duty = self.duties.get(name)
        if duty is None or not isinstance(args, duty.takes):
            known = ", ".join(sorted(self.duties))
            raise StopError(f"no duty {name!r} takes {type(args).__name__}; installed: {known}")
        return duty


# The contracts ------------------------------------------------------------------------------------


def _is_text(value: object) -> bool:
    return isinstance(value, str) and value != ""


def _is_level(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and not math.isnan(value)


def _is_args(value: object) -> bool:
    is_one = isinstance(value, type) and issubclass(value, DutyArgs)
    return is_one and value.model_config.get("frozen") is True  # type: ignore[attr-defined]


_NAME = Attribute("name", _is_text, 'name: ClassVar[str] = "...", as its entry point is called')
_SHAPES: dict[str, Shape] = {
    "midwatch.duties": Shape(
        (
            _NAME,
            Attribute(
                "cause",
                lambda value: value in _CAUSES,
                f"cause: ClassVar[Cause] = one of {', '.join(sorted(_CAUSES))}",
            ),
            Attribute(
                "takes", _is_args, "takes: ClassVar[type[DutyArgs]] = NoArgs, or a model of its own"
            ),
        ),
        (Method("perform", ("context", "args"), waits=True),),
    ),
    "midwatch.lookouts": Shape(
        (
            _NAME,
            Attribute("unit", _is_text, 'unit: ClassVar[str] = "...", the unit of its level'),
            Attribute("trip", _is_level, "trip: ClassVar[float] = the level at which it trips"),
            Attribute("clear", _is_level, "clear: ClassVar[float] = the level at which it clears"),
            Attribute(
                "missing",
                lambda value: value in ("unknown", "tripped"),
                'missing: ClassVar[Literal["unknown", "tripped"]] = "unknown", or "tripped"',
            ),
        ),
        (Method("read", ("view",)),),
    ),
    "midwatch.graders": Shape((_NAME,), (Method("grade", ("light", "others", "bounds")),)),
    "midwatch.notifiers": Shape(
        (_NAME,), (Method("notify", ("title", "message", "urgent"), waits=True),)
    ),
}


# Loading ------------------------------------------------------------------------------------------


def load_registry() -> Registry:
    """Load every installed plugin of the sequencer, in the order of their names.

    Raises:
        PluginError: with everything that is wrong with any of them.
    """
    problems: list[str] = []
    loaded = {group: _load(group, problems) for group in _SHAPES}
    duties = loaded["midwatch.duties"]
    problems += _missing_duties(duties)
    if problems:
        raise PluginError(problems)
    return Registry(
        duties=cast("Mapping[str, Duty[DutyArgs]]", duties),
        lookouts=cast("Mapping[str, Lookout]", loaded["midwatch.lookouts"]),
        graders=cast("Mapping[str, Grader]", loaded["midwatch.graders"]),
        notifiers=cast("Mapping[str, Notifier]", loaded["midwatch.notifiers"]),
    )


def _load(group: str, problems: list[str]) -> dict[str, Any]:
    loaded: dict[str, Any] = {}
    for point in _points(group):
        if point.name in loaded:
            found = [f"another package offers {point.name!r} too; uninstall one of them"]
        else:
            # What is there but broken is not also reported as missing.
            loaded[point.name], found = _made(group, point)
        if found:
            where = f"{group.removeprefix('midwatch.')}: {point.name!r} of {origin(point)}"
            problems += (f"{where}: {text}" for text in found)
    return loaded


def _made(group: str, point: EntryPoint) -> tuple[object, list[str]]:
    """Return a plugin, and what is wrong with it."""
    try:
        plugin = point.load()()
    except Exception as error:  # a plugin may fail in any way
        said = f"{type(error).__name__}: {error}"
        return None, [
            f"it cannot be loaded: {said}; the entry point must name a class without arguments"
        ]
    return plugin, list(_wrong(group, point, plugin))


@cache
def _points(group: str) -> list[EntryPoint]:
    """Return what is installed, which is slow to find; a drill asks for it every night."""
    return sorted(entry_points(group=group), key=lambda p: (p.name, p.value))


def _wrong(group: str, point: EntryPoint, plugin: object) -> Iterator[str]:
    found = list(misfits(plugin, _SHAPES[group]))
    yield from found
    name = getattr(plugin, "name", point.name)
    if not found and name != point.name:
        yield f"it calls itself {name!r}; make its name and its entry point agree"
    if group == "midwatch.duties" and point.name in _WORDS:
        yield f"{point.name!r} is a word of Midwatch itself; give it another name"
    elif not found and group == "midwatch.duties":
        yield from _wrong_args(point.name, cast("Duty[DutyArgs]", plugin))


def _wrong_args(name: str, duty: Duty[DutyArgs]) -> Iterator[str]:
    """Say in what the model that a duty takes is not what it will be given."""
    core = CORE_DUTIES.get(name)
    if core is not None and duty.takes is not core:
        yield (
            f"it takes {duty.takes.__name__}, and Midwatch gives a duty of that name "
            f"{core.__name__}: write takes: ClassVar[type[DutyArgs]] = {core.__name__}"
        )
        return
    if core is None and issubclass(duty.takes, CoreArgs):
        yield (
            f"it takes {duty.takes.__name__}, which is for {duty.takes.duty!r} only: write a model "
            "of its own, derived from DutyArgs, or takes: ClassVar[type[DutyArgs]] = NoArgs"
        )
        return
    wanted = annotated(duty.perform, "args")
    if isinstance(wanted, type) and not issubclass(duty.takes, wanted):
        yield (
            f"its perform wants {wanted.__name__} and it takes {duty.takes.__name__}: name the "
            "same model in both places"
        )


def _missing_duties(duties: Mapping[str, object]) -> Iterator[str]:
    for name, model in CORE_DUTIES.items():
        if name not in duties:
            yield (
                f"duties: {name!r} is not installed, and no night goes without it: install "
                f"midwatch again, or a package whose entry point {name!r} in midwatch.duties names "
                f"a class with takes: ClassVar[type[DutyArgs]] = {model.__name__}"
            )
