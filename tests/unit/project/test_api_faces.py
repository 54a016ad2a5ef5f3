"""The public interface: complete for each kind of author, without two things of one name."""

from __future__ import annotations

import ast
import importlib
import inspect
import textwrap
import typing
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

import midwatch_plugins
from midwatch.devices.contract import (
    STATES,
    Command,
    DeviceState,
    Driver,
    DriverContext,
    Kind,
    MakeSafe,
    commands_of,
)
from midwatch.devices.contract.installed_drivers import load_driver
from midwatch.plugin_shape import misfits
from midwatch.sequencer.decision import CORE_DUTIES
from midwatch.sequencer.duties import Notifier
from midwatch.sequencer.duties.plugin_registry import _SHAPES
from midwatch.sequencer.facts import Lookout, View
from midwatch.sequencer.grading import Grader, LightFrame

FACES = {
    name: importlib.import_module(f"midwatch.api.{name}")
    for name in ("duty", "lookout", "grader", "notifier", "driver")
}
MODELS = {*STATES.values(), *(c for kind in Kind for c in commands_of(kind).values())}


def test_a_name_means_one_thing_in_all_of_them() -> None:
    meanings: dict[str, set[int]] = {}
    for face in FACES.values():
        assert sorted(face.__all__) == list(face.__all__)
        for name in face.__all__:
            meanings.setdefault(name, set()).add(id(getattr(face, name)))
    assert [name for name, ids in meanings.items() if len(ids) > 1] == []


def test_nothing_is_renamed_on_its_way_out() -> None:
    for face in FACES.values():
        source = inspect.getsource(face)
        assert not [n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.alias) and n.asname]


def named_in(hint: object) -> Iterator[type]:
    """Walk the classes of this program that an annotation names."""
    if inspect.isclass(hint) and hint.__module__.startswith("midwatch."):
        # Of a generic model it is the model itself that an author imports.
        generic = getattr(hint, "__pydantic_generic_metadata__", {}).get("origin")
        yield generic or hint
    for part in typing.get_args(hint):
        yield from named_in(part if not isinstance(part, list) else tuple[tuple(part)])  # type: ignore[misc]


def classes_of(model: type) -> set[type]:
    hints = typing.get_type_hints(model)
    found = {each for hint in hints.values() for each in named_in(hint)}
    for function in vars(model).values():
        if inspect.isfunction(function) and not function.__name__.startswith("_"):
            for hint in typing.get_type_hints(function).values():
                found |= set(named_in(hint))
    return found


def offered(face: ModuleType) -> set[type]:
    return {value for name in face.__all__ if inspect.isclass(value := getattr(face, name))}


def test_an_author_of_drivers_finds_all_that_a_driver_of_any_kind_is_given_or_gives() -> None:
    wanted = {model for model in MODELS if model is not MakeSafe}  # the host does that
    for model in MODELS:
        wanted |= {each for each in classes_of(model) if issubclass(each, BaseModel)}
        if issubclass(model, Command) and model.answer is not None:
            wanted |= {model.answer} | classes_of(model.answer)
    wanted |= classes_of(Driver) | classes_of(DriverContext)
    assert {each.__name__ for each in wanted - offered(FACES["driver"])} == set()


def test_an_author_of_duties_finds_every_state_and_every_command_that_a_duty_may_give() -> None:
    bookkeeping = {"Acknowledge", "ListWaiting"}  # of frames: the daemon does that
    lacking = {m.__name__ for m in (MODELS | {DeviceState}) - offered(FACES["duty"])}
    assert lacking == bookkeeping
    assert set(CORE_DUTIES.values()) <= offered(FACES["duty"])


@pytest.mark.parametrize(
    ("face", "contracts"),
    [("lookout", (View, Lookout)), ("grader", (LightFrame, Grader)), ("notifier", (Notifier,))],
)
def test_the_other_authors_find_what_their_contract_names(
    face: str, contracts: tuple[type, ...]
) -> None:
    wanted = {each for contract in contracts for each in classes_of(contract)} | set(contracts)
    assert {each.__name__ for each in wanted - offered(FACES[face])} == set()


def example(face: ModuleType) -> dict[str, Any]:
    assert face.__doc__ is not None
    text = face.__doc__.partition("::\n")[2]
    names: dict[str, Any] = {"__name__": "example"}
    exec(compile(textwrap.dedent(text), face.__name__, "exec"), names)
    return {n: v for n, v in names.items() if inspect.isclass(v) and v.__module__ == "example"}


@pytest.mark.parametrize("name", ["duty", "lookout", "grader", "notifier"])
def test_the_example_of_each_fits_its_contract(name: str) -> None:
    kinds = {"duty": "duties"}
    (plugin,) = example(FACES[name]).values()
    assert list(misfits(plugin(), _SHAPES[f"midwatch.{kinds.get(name, name + 's')}"])) == []


def test_the_example_driver_is_one() -> None:
    class Entry:
        name, value, dist = "silent-roof", "example:SilentRoof", None

        @staticmethod
        def load() -> Any:
            return example(FACES["driver"])["SilentRoof"]

    factory: Any = load_driver(Entry())  # type: ignore[arg-type]
    told: list[None] = []

    class Given:
        name, rng = "roof", np.random.default_rng(1)

        @staticmethod
        def changed() -> None:
            told.append(None)

    roof = factory(Given())
    from midwatch.api.driver import CloseRoof, Connect, OpenRoof
    from midwatch.virtual_time import run_virtual

    async def main() -> list[tuple[str, bool]]:
        seen = []
        for command in (Connect(), OpenRoof(), CloseRoof()):
            await roof.perform(command)
            seen.append((roof.state().position, roof.state().at_rest))
        return seen

    assert run_virtual(main) == [("closed", True), ("open", False), ("closed", True)]
    assert len(told) == 3


def test_what_is_shipped_sees_the_face_of_its_kind_only() -> None:
    folder = Path(midwatch_plugins.__file__).parent
    of = {"duties": "duty", "lookouts": "lookout", "graders": "grader", "drivers": "driver"}
    for path in folder.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        seen = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module}
        own = {name for name in seen if name.startswith("midwatch.")}
        kind = path.relative_to(folder).parts[0]
        assert own <= {f"midwatch.api.{of.get(kind, '')}"}, path
