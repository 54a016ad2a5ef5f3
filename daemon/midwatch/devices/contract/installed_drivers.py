"""Finds installed drivers by entry points, and says clearly what is wrong with one."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from functools import cache, partial
from importlib import metadata
from typing import cast

from midwatch.devices.contract.driver import DriverFactory
from midwatch.errors import InputError

GROUP = "midwatch.drivers"

DriverLoader = Callable[[], DriverFactory]


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
                f"driver {entry.name!r} is offered twice, by {_origin(other)} and by "
                f"{_origin(entry)}: uninstall one of them"
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

    Raises:
        DriverLoadError: it cannot be imported, or is no such callable.
    """
    try:
        factory = entry.load()
    except Exception as error:  # a plugin may fail in any way when it is imported
        raise DriverLoadError(
            f"driver {entry.name!r} of {_origin(entry)} cannot be loaded: "
            f"{type(error).__name__}: {error}"
        ) from error
    if not callable(factory):
        raise DriverLoadError(
            f"driver {entry.name!r} of {_origin(entry)} is a {type(factory).__name__}; it must be "
            "a callable that takes one driver context and returns a driver"
        )
    try:
        inspect.signature(factory).bind(None)
    except TypeError as error:
        raise DriverLoadError(
            f"driver {entry.name!r} of {_origin(entry)} must take one driver context and nothing "
            f"else: {error}"
        ) from error
    return cast("DriverFactory", factory)


def _origin(entry: metadata.EntryPoint) -> str:
    package = "an unknown package" if entry.dist is None else f"package {entry.dist.name}"
    return f"{package} ({entry.value})"
