"""Reads a night for a command: its files, checked against what is installed, and its evening."""

from __future__ import annotations

from argparse import Namespace
from datetime import date
from importlib.metadata import entry_points
from pathlib import Path
from zoneinfo import ZoneInfo

from midwatch.clock import Clock, WallClock
from midwatch.devices.contract import DriverLoadError, driver_factory, drivers
from midwatch.errors import InputError
from midwatch.orders.injected import FAULT_KINDS, ScheduledFault, fault_roles, schedule
from midwatch.orders.models import Rig, Site
from midwatch.orders.reading import Night, load_night, load_rig, load_scenario, load_site
from midwatch.sequencer.decision import CORE_DUTIES, args_needed
from midwatch.sky import Horizon, Observer, Place, evening_at

# What a standing order may do besides the installed duties.
_BUILT_IN_DUTIES = ("wait",)


def load_orders(path: Path) -> Night:
    """Read night orders with site and rig; every name in them must be one that is installed.

    Raises:
        OrdersError: with every problem of every file.
        DriverLoadError: two packages offer a driver of one name.
    """
    return load_night(
        path,
        drivers=tuple(drivers()) or None,
        duties=_duties(),
        lookouts=_names("midwatch.lookouts"),
        needs={
            name: needed for name, model in CORE_DUTIES.items() if (needed := args_needed(model))
        },
    )


def require_plugins(night: Night, *, drivers_too: bool = False) -> None:
    """See that what a night needs of the installed plugins is there and fits.

    Nothing of it may come out in the middle of a night.

    Args:
        night: as ordered.
        drivers_too: the drivers of its devices as well.

    Raises:
        InputError: naming each plugin, its package and what to write instead.
    """
    # Whoever only reads orders waits for no plugin to be imported.
    from midwatch.sequencer.duties import PluginError, load_registry
    from midwatch.sequencer.facts import LookoutGuards, with_rig_defaults

    registry = load_registry()
    orders = with_rig_defaults(night.orders.standing_orders, night.rig.focus)
    LookoutGuards(orders, registry.lookouts, registry.duties)
    if not drivers_too:
        return
    problems = []
    for role, entry in night.rig.devices.present().items():
        try:
            driver_factory(entry.driver)
        except DriverLoadError as error:
            problems.append(f"{role}: {error}")
    if problems:
        raise PluginError(problems)


def load_rig_at_site(rig: Path, site: Path) -> tuple[Rig, Site, Horizon, Place]:
    """Read a rig and a site without night orders.

    Raises:
        OrdersError: with every problem of the first file that has any.
    """
    return load_rig(rig, drivers=tuple(drivers()) or None), *load_site(site)


def evening_of(night: Night, wanted: date | None, clock: Clock | None = None) -> date:
    """Return the evening that is wanted: as asked for, else as ordered, else tonight's."""
    if wanted is not None:
        return wanted
    if night.orders.evening is not None:
        return night.orders.evening
    now_s = (WallClock() if clock is None else clock).unix_s()
    return evening_at(Observer(night.place), now_s, night.site.timezone)


def faults_of(night: Night, evening: date, args: Namespace) -> tuple[ScheduledFault, ...]:
    """Return the faults asked for by ``--fault`` and ``--scenario``, in the night of an evening.

    Raises:
        OrdersError: the scenario file is wrong.
        InputError: a fault is about a device that the rig does not have.
    """
    orders = list(args.faults)
    if args.scenario is not None:
        orders += load_scenario(args.scenario).faults
    shown = fault_roles(night.rig.devices.present())
    for order in orders:
        role = FAULT_KINDS[order.fault].role
        if role is not None and role not in shown:
            raise InputError(f"{order.fault} needs a {role}; the rig {night.rig.name} has none")
    return tuple(schedule(orders, evening, ZoneInfo(night.site.timezone)))


def _duties() -> tuple[str, ...] | None:
    names = _names("midwatch.duties")
    return None if names is None else (*names, *_BUILT_IN_DUTIES)


def _names(group: str) -> tuple[str, ...] | None:
    """Names of installed plugins without importing them; None, for no check, where there are none.

    A registry without any plugin is reported by what needs one, and better.
    """
    return tuple(sorted(entry_points(group=group).names)) or None
