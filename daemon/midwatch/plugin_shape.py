"""Whether a plugin is shaped as its contract says, found out without calling any of its methods."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import EntryPoint

__all__ = ["Attribute", "Method", "Shape", "annotated", "misfits", "origin"]


@dataclass(frozen=True, slots=True)
class Attribute:
    """An attribute that a plugin must have.

    Attributes:
        fits: whether a value will do.
        write: what to write in the class, for a message.
    """

    name: str
    fits: Callable[[object], bool]
    write: str


@dataclass(frozen=True, slots=True)
class Method:
    """A method that a plugin must have.

    Attributes:
        takes: names of its parameters, without ``self``.
        waits: it is a coroutine (``async def``).
    """

    name: str
    takes: tuple[str, ...] = ()
    waits: bool = False

    @property
    def write(self) -> str:
        """How its definition begins."""
        word = "async def" if self.waits else "def"
        return f"{word} {self.name}({', '.join(('self', *self.takes))})"


@dataclass(frozen=True, slots=True)
class Shape:
    """What a kind of plugin must have."""

    attributes: tuple[Attribute, ...]
    methods: tuple[Method, ...]


def misfits(plugin: object, shape: Shape) -> Iterator[str]:
    """Say in what a plugin, or its class, is not of a shape, and what to write instead."""
    for attribute in shape.attributes:
        if not hasattr(plugin, attribute.name):
            yield f"it lacks {attribute.name}: write {attribute.write}"
        elif not attribute.fits(value := getattr(plugin, attribute.name)):
            yield f"its {attribute.name} is {value!r}: write {attribute.write}"
    for method in shape.methods:
        found = getattr(plugin, method.name, None)
        if found is None:
            yield f"it lacks {method.name}: write {method.write}"
        elif not callable(found):
            yield f"its {method.name} is {found!r}: write {method.write}"
        else:
            yield from _method_misfits(found, method, of_class=inspect.isclass(plugin))


def _method_misfits(
    found: Callable[..., object], method: Method, *, of_class: bool
) -> Iterator[str]:
    waits = inspect.iscoroutinefunction(found)
    if waits is not method.waits:
        is_one = "is a coroutine" if waits else "is no coroutine"
        yield f"its {method.name} {is_one}: write {method.write}"
    try:
        parameters = list(inspect.signature(found).parameters.values())
    except (TypeError, ValueError):  # written in another language, it does not say
        return
    static = not of_class or isinstance(found, staticmethod)
    named = parameters if static or inspect.ismethod(found) else parameters[1:]
    if not _take(named, method.takes):
        given = ", ".join(str(parameter).partition(":")[0] for parameter in named)
        yield f"its {method.name} takes ({given}): write {method.write}"


def _take(parameters: list[inspect.Parameter], wanted: tuple[str, ...]) -> bool:
    """Return whether parameters can be given by position, and are called as they should be."""
    kinds = inspect.Parameter
    by_place = [
        p for p in parameters if p.kind in (kinds.POSITIONAL_ONLY, kinds.POSITIONAL_OR_KEYWORD)
    ]
    rest = [p for p in parameters if p not in by_place]
    if tuple(p.name for p in by_place[: len(wanted)]) != wanted:
        # A plain (*args, **kwargs) passes everything on to something else.
        return not by_place and any(p.kind is kinds.VAR_POSITIONAL for p in rest)
    more = [*by_place[len(wanted) :], *(p for p in rest if p.kind is kinds.KEYWORD_ONLY)]
    return all(p.default is not kinds.empty for p in more)


def annotated(function: Callable[..., object], name: str) -> object | None:
    """Return what a parameter (or "return") is annotated with; None where that is not known."""
    noted = getattr(function, "__annotations__", {}).get(name)
    if not isinstance(noted, str):
        return noted
    # Of a text only a plain name is looked up: there is no need to run what an author writes.
    first, *rest = noted.split(".")
    found = getattr(inspect.unwrap(function), "__globals__", {}).get(first)
    for part in rest:
        found = getattr(found, part, None)
    return found


def origin(point: EntryPoint) -> str:
    """Return the package that offers an entry point, and the object that it names."""
    package = "an unknown package" if point.dist is None else f"package {point.dist.name}"
    return f"{package} ({point.value})"
