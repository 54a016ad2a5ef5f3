"""The house keeps its order: rooms have faces, are of a size, and are entered through the front."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
PACKAGES = {
    "midwatch": ROOT / "daemon/midwatch",
    "midwatch_plugins": ROOT / "plugins/midwatch_plugins",
    "midwatch_simulators": ROOT / "simulators/midwatch_simulators",
}
# What more than a dozen modules say is what nobody finds.
MOST_MODULES = 14


def name_of(path: Path) -> str:
    package = next(name for name, root in PACKAGES.items() if path.is_relative_to(root))
    parts = path.relative_to(PACKAGES[package].parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {name_of(path): path for root in PACKAGES.values() for path in root.rglob("*.py")}
ROOMS = {name for name, path in FILES.items() if path.stem == "__init__"}


def room_of(module: str) -> str:
    return module if module in ROOMS else module.rpartition(".")[0]


@cache
def imports_of(module: str) -> tuple[tuple[str, str], ...]:
    """Return what a module imports of the project: from which module, and which name."""
    return tuple(_imports(FILES[module]))


def _imports(path: Path) -> Iterator[tuple[str, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module in FILES:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield (inner, "") if inner in FILES else (node.module, alias.name)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names if alias.name in FILES)


def shown_by(room: str) -> Iterator[str]:
    """Yield the names that the face of a room shows."""
    for node in ast.parse(FILES[room].read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom):
            yield from (alias.asname or alias.name for alias in node.names)


def enters_by_the_window(importer: str, imported: str) -> bool:
    """Whether a module is imported past the face of a room that the importer is not in."""
    if imported in ROOMS:
        return False
    room, here = room_of(imported), room_of(importer)
    # The ground has no face, and the public interface has one for each kind of author.
    open_to_all = room in ("midwatch", "midwatch.api")
    return not open_to_all and here != room and not here.startswith(f"{room}.")


@pytest.mark.parametrize("room", sorted(ROOMS))
def test_a_room_says_what_it_is_for_and_what_is_public(room: str) -> None:
    tree = ast.parse(FILES[room].read_text(encoding="utf-8"))
    doc = ast.get_docstring(tree)
    assert doc is not None
    assert len(doc.split()) >= 3, f"{room} says too little of itself: {doc!r}"
    brought = set(shown_by(room))
    named = next(
        (
            {element.value for element in node.value.elts if isinstance(element, ast.Constant)}
            for node in tree.body
            if isinstance(node, ast.Assign)
            and isinstance(node.value, ast.List)
            and ast.unparse(node.targets[0]) == "__all__"
        ),
        set(),
    )
    assert named == brought


@pytest.mark.parametrize("room", sorted(ROOMS))
def test_no_public_name_hides_a_module_of_its_room(room: str) -> None:
    inside = {module.rpartition(".")[2] for module in FILES if module.startswith(f"{room}.")}
    assert not inside & set(shown_by(room))


def test_a_folder_holds_about_a_dozen_modules() -> None:
    held = Counter(room_of(module) for module in FILES if module not in ROOMS)
    assert {room: count for room, count in held.items() if count > MOST_MODULES} == {}


def test_rooms_are_entered_through_their_faces() -> None:
    windows = [
        f"{importer} imports {imported}"
        for importer in FILES
        for imported, _ in imports_of(importer)
        if enters_by_the_window(importer, imported)
    ]
    assert windows == []


def test_what_a_face_shows_is_used_by_somebody_outside() -> None:
    used = {
        (imported, name)
        for importer in FILES
        for imported, name in imports_of(importer)
        if room_of(importer) != imported
    }
    for path in (ROOT / "tests").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module in ROOMS:
                used |= {(node.module, alias.name) for alias in node.names}
    idle = [
        f"{room}: {name}"
        for room in sorted(ROOMS)
        for name in shown_by(room)
        if (room, name) not in used and not room.startswith("midwatch.api")
    ]
    # The entry of the command line is named by the distribution's metadata.
    assert set(idle) <= {"midwatch.interface.cli: main"}


def test_modules_have_names_of_their_own() -> None:
    """Two modules of one name make a reader open the wrong one.

    Commands are named as they are typed, faces of the public interface after their readers.
    """
    names = Counter(
        module.rpartition(".")[2]
        for module in FILES
        if module not in ROOMS
        and not module.startswith(("midwatch.interface.commands.", "midwatch.api."))
    )
    assert [name for name, count in names.items() if count > 1] == []


def test_no_module_is_imported_in_a_circle() -> None:
    arrows = {
        module: {imported for imported, _ in imports_of(module) if imported not in ROOMS}
        for module in FILES
    }
    done: set[str] = set()

    def walk(module: str, way: tuple[str, ...]) -> None:
        assert module not in way, " -> ".join((*way[way.index(module) :], module))
        if module in done:
            return
        for imported in sorted(arrows[module]):
            walk(imported, (*way, module))
        done.add(module)

    for module in sorted(arrows):
        walk(module, ())


def test_no_two_rooms_import_each_other() -> None:
    arrows = {
        (room_of(importer), room_of(imported))
        for importer in FILES
        for imported, _ in imports_of(importer)
        if room_of(imported) != "midwatch"
    }
    both = {
        tuple(sorted((here, there)))
        for here, there in arrows
        if (there, here) in arrows
        and here != there
        and not here.startswith(f"{there}.")
        and not there.startswith(f"{here}.")
    }
    assert both == set()
