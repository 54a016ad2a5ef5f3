"""Finds installed drivers by entry points, and says clearly what is wrong with one."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from functools import cache, partial
from importlib import metadata
from typing import cast

from midwatch.devices.contract.base import Kind
from midwatch.devices.contract.driver import DriverFactory
from midwatch.errors import InputError
from midwatch.plugin_shape import Attribute, Method, Shape, annotated, misfits, origin

GROUP = "midwatch.drivers"

DriverLoader = Callable[[], DriverFactory]

_SHAPE = Shape(
    (),
    (
        Method("about"),
        Method("state"),
        Method("perform", ("command",), waits=True),
        Method("make_safe", ("reason",), waits=True),
        Method("close", waits=True),
    ),
)
_KIND = Attribute("kind", lambda value: isinstance(value, Kind), "kind = Kind.CAMERA, or its own")


class DriverLoadError(InputError):
    """A driver is not installed, or is not what a driver has to be."""


@cache
def drivers() -> dict[str, DriverLoader]:
    """Return a loader for every installed driver, by name, in alphabetical order.

    Nothing of a driver is imported until its loader is called. A loader raises
    `DriverLoadError`, naming the driver, its package and what is wrong.

    Raises:
        DriverLoadError: two packages offer a driver of the same name.
    """
    found: dict[str, metadata.EntryPoint] = {}
    for entry in sorted(metadata.entry_points(group=GROUP), key=lambda e: (e.name, e.value)):
        other = found.get(entry.name)
        if other is not None and other.value != entry.value:
            raise DriverLoadError(
                f"driver {entry.name!r} is offered twice, by {origin(other)} and by "
                f"{origin(entry)}: uninstall one of them"
            )
        found[entry.name] = entry
    return {name: partial(load_driver, entry) for name, entry in found.items()}


def driver_factory(name: str) -> DriverFactory:
    """Return the factory of an installed driver.

    Raises:
        DriverLoadError: there is none of that name, or it cannot be used.
    """
    loader = drivers().get(name)
    if loader is None:
        known = ", ".join(drivers()) or "none"
        raise DriverLoadError(f"driver {name!r} is not installed; installed drivers: {known}")
    return loader()


def load_driver(entry: metadata.EntryPoint) -> DriverFactory:
    """Import a driver and check that it can be called with one context.

    What it makes is checked as far as is possible without making it: from the class that it is, or
    says that it returns.

    Raises:
        DriverLoadError: it cannot be imported, is no such callable, or makes no driver.
    """
    try:
        factory = entry.load()
    except Exception as error:  # a plugin may fail in any way when it is imported
        raise DriverLoadError(
            f"driver {entry.name!r} of {origin(entry)} cannot be loaded: "
            f"{type(error).__name__}: {error}"
        ) from error
    if not callable(factory):
        raise DriverLoadError(
            f"driver {entry.name!r} of {origin(entry)} is a {type(factory).__name__}; it must be "
            "a callable that takes one driver context and returns a driver"
        )
    try:
        inspect.signature(factory).bind(None)
    except TypeError as error:
        raise DriverLoadError(
            f"driver {entry.name!r} of {origin(entry)} must take one driver context and nothing "
            f"else: {error}"
        ) from error
    if inspect.iscoroutinefunction(factory):
        raise DriverLoadError(
            f"driver {entry.name!r} of {origin(entry)} is a coroutine; write def instead of async "
            "def, and open the link to the hardware when the command to connect comes"
        )
    if found := list(_misfits_of_made(factory)):
        raise DriverLoadError(
            f"driver {entry.name!r} of {origin(entry)} makes no driver: {'; '.join(found)}"
        )
    return cast("DriverFactory", factory)


def _misfits_of_made(factory: object) -> Iterator[str]:
    """Say in what the class that a factory makes is no driver; nothing where it is not known."""
    made = (
        factory if inspect.isclass(factory) else annotated(cast("DriverFactory", factory), "return")
    )
    if not inspect.isclass(made) or getattr(made, "_is_protocol", False):
        return
    yield from misfits(made, _SHAPE)
    # A driver may find out only when it is made which kind it is.
    if hasattr(made, "kind") and not _KIND.fits(made.kind):
        yield f"its kind is {made.kind!r}: write {_KIND.write}"
