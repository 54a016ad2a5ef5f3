"""New night orders in the middle of a night: read, judged, planned, and found again.

They come as the text of their files, since the person who gives them may use another machine. They
are read as a night's first orders are, and judged against the night that runs: the site, the rig
and the hours of the night stay. The journal keeps the files, so that they hold after a crash too.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from pydantic import BaseModel, ConfigDict, Field

from midwatch.errors import InputError
from midwatch.journal.facts import FrameSlot, OrdersChanged, TargetPlanned
from midwatch.journal.store import Event, facts_of
from midwatch.orders.models import CameraSettings, InputProblem, OrdersError
from midwatch.orders.reading import Night, ResolvedTarget
from midwatch.planning import NightPlan, TargetPlan, plan_night, require_a_target
from midwatch.sequencer.duties import DutyContext, Registry
from midwatch.sequencer.facts import FocusWatch, LookoutGuards, WorldView, with_rig_defaults

__all__ = [
    "Change", "Documents", "Load", "OrdersRefusedError", "compare", "documents_of", "orders_found",
    "planned", "prepare", "take_up", "withdrawn",
]  # fmt: skip

# Orders name a site, a rig and a horizon besides themselves.
_MOST_FILES = 8
_NOT_GIVEN = "was not given with these orders; name files in their folder"

Load = Callable[[Path], Night]


class OrdersRefusedError(InputError):
    """Orders that were given cannot hold; the message names every problem."""


class Documents(BaseModel):
    """The files of night orders.

    Attributes:
        main: path of the orders among the files.
        files: text by path, relative, with forward slashes.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)
    main: str = Field(min_length=1, max_length=300)
    files: dict[str, str] = Field(min_length=1, max_length=_MOST_FILES)


@dataclass(frozen=True)
class Change:
    """New orders that were found sound, with what the night allows for them."""

    night: Night
    plan: NightPlan
    fact: OrdersChanged


def documents_of(night: Night) -> Documents:
    """Return the files of a night that was read from the disk.

    Raises:
        InputError: a file cannot be read any more.
    """
    paths = {name: Path(os.path.normpath(path.absolute())) for name, path in night.paths.items()}
    above = Path(os.path.commonpath([path.parent for path in paths.values()]))
    names = {name: path.relative_to(above).as_posix() for name, path in paths.items()}
    try:
        files = {names[name]: path.read_text("utf-8-sig") for name, path in paths.items()}
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"the orders cannot be read again: {error}") from error
    return Documents(main=names["orders"], files=files)


def prepare(
    documents: Documents,
    running: Night,
    declared: Night,
    plan: NightPlan,
    load: Load,
    who: tuple[str, str | None],
) -> Change:
    """Read orders that were given, and judge and plan them.

    Args:
        documents: what was given.
        running: the night as it runs.
        declared: the night as the files say with which the daemon was started: a rehearsal runs
            on another rig than was declared.
        plan: of the running night.
        load: reads night orders.
        who: hands them in, and why.

    Raises:
        OrdersRefusedError: with every problem.
    """
    new = _read(documents, load)
    if problems := list(_fixed(new, declared, plan)):
        raise OrdersRefusedError("\n".join(f"{documents.main}: {text}" for text in problems))
    night = replace(
        running,
        orders=new.orders.model_copy(update={"evening": running.orders.evening}),
        targets=new.targets,
        paths={**running.paths, "orders": Path(documents.main)},
        sha256={**running.sha256, "orders": new.sha256["orders"]},
    )
    try:
        new_plan = plan_night(night, plan.evening)
        require_a_target(night, new_plan)
    except InputError as error:
        raise OrdersRefusedError(str(error)) from None
    return Change(night, new_plan, compare(running, night, declared, documents, who))


def _read(documents: Documents, load: Load) -> Night:
    for name in (documents.main, *documents.files):
        named = PurePosixPath(name)
        if named.is_absolute() or ".." in named.parts or "\0" in name or len(name) > 300:
            raise OrdersRefusedError(f"{name[:300]!r} is no path of a file among these orders")
    if documents.main not in documents.files:
        raise OrdersRefusedError(f"{documents.main}: its text was not given")
    with tempfile.TemporaryDirectory(prefix="midwatch-orders-") as scratch:
        folder = Path(scratch)
        try:
            for name, text in documents.files.items():
                path = folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="utf-8")
            night = load(folder / documents.main)
        except OrdersError as error:
            text = "\n".join(_said(problem, folder) for problem in error.problems)
            raise OrdersRefusedError(text.replace(f"{folder}/", "")) from None
        except (OSError, UnicodeEncodeError) as error:
            said = str(error).replace(f"{folder}/", "")
            raise OrdersRefusedError(f"the orders cannot be kept: {said}") from None
        except InputError as error:
            raise OrdersRefusedError(str(error).replace(f"{folder}/", "")) from None
        if strange := [path for path in night.paths.values() if not path.is_relative_to(folder)]:
            raise OrdersRefusedError(f"{strange[0]}: {_NOT_GIVEN}")
        return night


def _said(problem: InputProblem, folder: Path) -> str:
    if not problem.file.is_relative_to(folder):
        # What is in other files of this machine must not be shown.
        return f"{problem.file}: {_NOT_GIVEN}"
    return str(replace(problem, file=problem.file.relative_to(folder)))


def _fixed(new: Night, declared: Night, plan: NightPlan) -> Iterable[str]:
    """Say what of new orders would change what stays as it is while a night runs."""
    stays = "stays as it is while the night runs; write it as it was, or close and start again"
    if new.site != declared.site or new.horizon.points != declared.horizon.points:
        yield f"site: the site {stays}"
    if new.rig != declared.rig:
        yield f"rig: the rig {stays}"
    if new.orders.evening not in (None, plan.evening):
        yield f"evening: {new.orders.evening} is another night; this is that of {plan.evening}"
    if new.orders.sun_below_deg != declared.orders.sun_below_deg:
        yield f"sun_below_deg: {declared.orders.sun_below_deg:g} {stays}"


def compare(
    running: Night,
    new: Night,
    declared: Night,
    documents: Documents,
    who: tuple[str, str | None],
) -> OrdersChanged:
    """Say in what new orders differ."""
    before = {target.name: target for target in running.targets}
    after = {target.name: target for target in new.targets}
    return OrdersChanged(
        who=who[0],
        why=who[1],
        orders_sha256=new.sha256["orders"],
        began_with_sha256=declared.sha256["orders"],
        added=tuple(name for name in after if name not in before),
        removed=tuple(name for name in before if name not in after),
        changed=tuple(n for n, target in after.items() if n in before and before[n] != target),
        slots={name: _slots(target, new.rig.camera) for name, target in after.items()},
        main=documents.main,
        files=dict(documents.files),
    )


def _slots(target: ResolvedTarget, camera: CameraSettings) -> tuple[FrameSlot, ...]:
    return tuple(
        FrameSlot(
            filter=order.filter,
            exposure_s=round(order.exposure_s, 6),  # as the journal has those of frames
            gain=camera.gain if order.gain is None else order.gain,
            offset=camera.offset if order.offset is None else order.offset,
            binning=camera.binning if order.binning is None else order.binning,
            wanted=order.count,
        )
        for order in target.order.frames
    )


def orders_found(
    events: Sequence[Event], night: Night, declared: Night, plan: NightPlan, load: Load
) -> Change | None:
    """Return the orders that an earlier run of the daemon was given and that still hold.

    They hold unless the daemon was started again with other orders than before them.

    Raises:
        OrdersRefusedError: they cannot be read any more.
    """
    changes = facts_of(events, OrdersChanged)
    if not changes:
        return None
    fact = changes[-1][1]
    if fact.began_with_sha256 != declared.sha256["orders"]:
        return None
    documents = Documents(main=fact.main, files=fact.files)
    change = prepare(documents, night, declared, plan, load, (fact.who, fact.why))
    return replace(change, fact=fact)


def take_up(
    change: Change,
    context: DutyContext,
    view: WorldView,
    registry: Registry,
    desk: LookoutGuards,
) -> LookoutGuards:
    """Have a night go by new orders from now on; returns the desk of their standing orders."""
    context.night, context.plan = change.night, change.plan
    watch = FocusWatch(change.night, context.record, context.focus_memory)
    view.change(change.night, change.plan, watch)
    for fact in withdrawn(context.record.planned, change.fact.removed):
        context.note(fact)
    for target in change.plan.targets:
        context.note(planned(target))
    orders = with_rig_defaults(change.night.orders.standing_orders, change.night.rig.focus)
    return LookoutGuards(orders, registry.lookouts, registry.duties, desk)


def planned(target: TargetPlan) -> TargetPlanned:
    """Return what the night allows for a target, for the journal."""
    order = target.target.order
    ra_deg, dec_deg = target.target.position_at(target.transit_utc_s)
    return TargetPlanned(
        target=target.target.name,
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        priority=order.priority,
        wanted=tuple((f.filter, f.exposure_s, f.count) for f in order.frames),
        windows_utc_s=tuple((w.start_utc_s, w.end_utc_s) for w in target.windows),
        transit_utc_s=target.transit_utc_s,
        note=target.note,
    )


def withdrawn(known: Mapping[str, TargetPlanned], names: Iterable[str]) -> list[TargetPlanned]:
    """Return targets that were taken out of the orders, as the journal is to know them."""
    note = "taken out of the orders during the night"
    return [
        known[name].model_copy(update={"windows_utc_s": (), "note": note})
        for name in names
        if name in known
    ]
