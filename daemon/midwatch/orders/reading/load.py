"""Reads the files of a night, and says everything that is wrong with them at once."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from midwatch.orders.injected import Scenario
from midwatch.orders.models import (
    HIGHEST_HORIZON_DEG,
    LOWEST_HORIZON_DEG,
    InputProblem,
    NightOrders,
    OrdersError,
    Rig,
    Site,
    Target,
    did_you_mean,
    parse_dec_deg,
    parse_ra_deg,
)
from midwatch.orders.reading import crosscheck
from midwatch.orders.reading.crosscheck import ReadFile
from midwatch.orders.reading.explain import model_problems, text_problem
from midwatch.orders.reading.file_schema import USER_FILES
from midwatch.orders.reading.old_words import renamed_words, without_repeats
from midwatch.orders.reading.yaml_text import Node, TextError, read_tree
from midwatch.sky import Fixed, Horizon, HorizonFileError, Motion, Place
from midwatch.sky.catalogues import find_object

# A night's files are a few kilobytes; this only keeps a wrong path from being read in.
_LARGEST_FILE_BYTES = 512 * 1024
_LARGEST_HORIZON_BYTES = 64 * 1024

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class ResolvedTarget:
    """A target whose place is known.

    Attributes:
        name: as the user wrote it.
        motion: where it is at any time, ICRS.
        order: what the user ordered of it.
        catalogue_name: of the object of that name; None where the catalogue has none.
        kind: of the catalogued object, in words; None where unknown.
        size_arcmin: its longer diameter; None where unknown.
    """

    name: str
    motion: Motion
    order: Target
    catalogue_name: str | None
    kind: str | None
    size_arcmin: float | None

    def position_at(self, utc_s: float) -> tuple[float, float]:
        """Return right ascension and declination at a time, degrees."""
        return self.motion.position_at(utc_s)


@dataclass(frozen=True)
class Night:
    """Everything the user declared for a night, read and found sound.

    Attributes:
        orders: the night orders.
        site: where.
        rig: with what.
        horizon: of the site.
        place: of the site.
        targets: in the order of the night orders.
        paths: of the files, under "orders", "site" and "rig", and "horizon" where it has its own.
        sha256: of their contents, hexadecimal, under the same names.
    """

    orders: NightOrders
    site: Site
    rig: Rig
    horizon: Horizon
    place: Place
    targets: tuple[ResolvedTarget, ...]
    paths: dict[str, Path]
    sha256: dict[str, str]


def load_night(
    path: Path,
    *,
    drivers: Collection[str] | None = None,
    duties: Collection[str] | None = None,
    lookouts: Collection[str] | None = None,
    needs: Mapping[str, tuple[str, ...]] | None = None,
) -> Night:
    """Read night orders with the site and the rig that they name.

    Args:
        path: of the night orders.
        drivers: names of installed drivers; None leaves names unchecked, here and below.
        duties: names that a standing order may do.
        lookouts: names that a standing order may wait for.
        needs: duties that no standing order may do, since they need what it does not give, with
            what that is.

    Returns:
        The night.

    Raises:
        OrdersError: with every problem of every file.
    """
    reader = _Reader()
    file = reader.read(path, "orders")
    orders = reader.build(file, NightOrders)
    site_path = reader.follow(file, "site")
    rig_path = reader.follow(file, "rig")
    site, horizon = _site(reader, site_path)
    rig, rig_file = _rig(reader, rig_path, drivers)
    if file is not None:
        reader.problems += crosscheck.names_in_orders(file)
        reader.problems += crosscheck.repeated_standing_orders(file)
        reader.problems += crosscheck.unknown_words(
            file, ("standing_orders", "*", "when"), lookouts, "lookout"
        )
        reader.problems += crosscheck.unknown_words(
            file, ("standing_orders", "*", "do"), duties, "duty"
        )
        reader.problems += crosscheck.unorderable_duties(file, needs or {}, duties)
    if file is not None and rig_file is not None:
        # What a broken rig seems to lack may only be misspelt.
        if rig is not None or crosscheck.wheel_filters(rig_file):
            reader.problems += crosscheck.filters_in_orders(file, rig_file)
        if rig is not None:
            reader.problems += crosscheck.flats_need_a_panel(file, rig_file)
            reader.problems += crosscheck.no_flip_is_ordered(file, rig.geometry)
    reader.raise_problems()
    assert orders and site and rig and horizon
    return Night(
        orders, site, rig, horizon, _place(site), tuple(map(_resolve, orders.targets)),
        reader.paths, reader.sha256,
    )  # fmt: skip


def load_site(path: Path) -> tuple[Site, Horizon, Place]:
    """Read a site file and its horizon.

    Raises:
        OrdersError: with every problem of the file.
    """
    reader = _Reader()
    site, horizon = _site(reader, path)
    reader.raise_problems()
    assert site and horizon
    return site, horizon, _place(site)


def load_rig(path: Path, *, drivers: Collection[str] | None = None) -> Rig:
    """Read a rig file.

    Args:
        path: of the file.
        drivers: names of installed drivers; None leaves names unchecked.

    Raises:
        OrdersError: with every problem of the file.
    """
    reader = _Reader()
    rig, _ = _rig(reader, path, drivers)
    reader.raise_problems()
    assert rig
    return rig


def load_scenario(path: Path) -> Scenario:
    """Read a file of faults.

    Raises:
        OrdersError: with every problem of the file.
    """
    reader = _Reader()
    scenario = reader.build(reader.read(path, "scenario"), Scenario)
    reader.raise_problems()
    assert scenario
    return scenario


def _place(site: Site) -> Place:
    return Place(site.latitude_deg, site.longitude_deg, site.elevation_m)


def _resolve(target: Target) -> ResolvedTarget:
    known = find_object(target.name)
    facts = (known.name, known.kind, known.major_arcmin) if known else (None, None, None)
    if target.ra is not None and target.dec is not None:
        ra_deg, dec_deg = parse_ra_deg(target.ra), parse_dec_deg(target.dec)
    else:
        assert known
        ra_deg, dec_deg = known.ra_deg, known.dec_deg
    return ResolvedTarget(target.name, Fixed(ra_deg, dec_deg), target, *facts)


def _site(reader: _Reader, path: Path | None) -> tuple[Site | None, Horizon | None]:
    file = reader.read(path, "site")
    site = reader.build(file, Site)
    if file is None:
        return None, None
    written = file.tree.child("horizon")
    if written is not None and isinstance(written.value, str):
        return site, _horizon_file(reader, file)
    if site is None:
        return None, None
    if isinstance(site.horizon, tuple):
        return site, Horizon.from_pairs(site.horizon)
    assert not isinstance(site.horizon, str)
    return site, Horizon.flat(site.horizon)


def _horizon_file(reader: _Reader, site: ReadFile) -> Horizon | None:
    path = reader.follow(site, "horizon")
    if path is None:
        return None
    reader.asked_for.append(path)
    try:
        if path.stat().st_size > _LARGEST_HORIZON_BYTES:
            raise ValueError("the file is larger than 64 KiB")
        horizon = Horizon.from_file(path)
        content = path.read_bytes()
    except (HorizonFileError, OSError, ValueError) as error:
        said = re.fullmatch(r"(?:, line ([0-9]+))?: (.*)", str(error).removeprefix(str(path)), re.S)
        line, message = (said[1], said[2]) if said else (None, str(error))
        hint = "write lines of azimuth and altitude in degrees, such as '120 14.5'"
        reader.problems.append(
            InputProblem(path, int(line) if line else None, 1, "", None, message, hint)
        )
        return None
    for azimuth, altitude in horizon.points:
        if not LOWEST_HORIZON_DEG <= altitude <= HIGHEST_HORIZON_DEG:
            message = f"altitude {altitude:g} at azimuth {azimuth:g} is outside -5 to 90"
            line = _line_of(content.decode("utf-8-sig"), azimuth, altitude)
            reader.problems.append(
                InputProblem(path, line, 1, "", altitude, message, "write degrees from -5 to 90")
            )
    reader.keep("horizon", path, content)
    return horizon


def _line_of(text: str, azimuth: float, altitude: float) -> int | None:
    """Return the line of a horizon file that gives this point."""
    for number, line in enumerate(text.splitlines(), start=1):
        words = re.split(r"[\s,;]+", line.partition("#")[0].strip())
        try:
            found = tuple(map(float, words))
        except ValueError:
            continue
        if found == (azimuth, altitude) or found == (azimuth + 360, altitude):
            return number
    return None


def _rig(
    reader: _Reader, path: Path | None, drivers: Collection[str] | None
) -> tuple[Rig | None, ReadFile | None]:
    file = reader.read(path, "rig")
    rig = reader.build(file, Rig)
    if file is not None:
        reader.problems += crosscheck.unknown_words(
            file, ("devices", "*", "driver"), drivers, "driver"
        )
        if rig is not None or crosscheck.wheel_filters(file):
            reader.problems += crosscheck.filters_in_rig(file)
        reader.problems += crosscheck.folders_in_rig(file)
    return rig, file


@dataclass
class _Reader:
    """Reads files and collects what is wrong with them."""

    problems: list[InputProblem] = field(default_factory=list)
    paths: dict[str, Path] = field(default_factory=dict)
    sha256: dict[str, str] = field(default_factory=dict)
    asked_for: list[Path] = field(default_factory=list)
    renamed: list[InputProblem] = field(default_factory=list)

    def keep(self, name: str, path: Path, content: bytes) -> None:
        self.paths[name] = path
        self.sha256[name] = hashlib.sha256(content).hexdigest()

    def read(self, path: Path | None, name: str) -> ReadFile | None:
        """Read one YAML file; None means one whose path is not known."""
        if path is None:
            return None
        self.asked_for.append(path)
        try:
            with path.open("rb") as opened:
                content = opened.read(_LARGEST_FILE_BYTES + 1)
            if len(content) > _LARGEST_FILE_BYTES:
                raise TextError(1, 1, "the file is larger than 512 KiB", f"check the {name} path")
            text = content.decode("utf-8-sig")
            tree = read_tree(text)
        except FileNotFoundError:
            self._whole(path, "there is no such file", _near_file(path))
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            self.problems.append(
                InputProblem(path, line, 1, "", None, "not UTF-8 text", "save the file as UTF-8")
            )
        except (OSError, ValueError) as error:  # ValueError: a zero byte in the path
            said = error.strerror if isinstance(error, OSError) else str(error)
            self._whole(path, f"cannot be read: {said}", "check the path")
        except TextError as error:
            self.problems.append(text_problem(path, error))
        else:
            meant = _meant(tree)
            if meant in (None, name):
                self.keep(name, path, content)
                file = ReadFile(path, tree)
                self.renamed += renamed_words(file, name)
                return file
            message = f"this is {USER_FILES[meant].called}, not {USER_FILES[name].called}"
            self._whole(path, message, "check the path")
        return None

    def _whole(self, path: Path, message: str, hint: str) -> None:
        self.problems.append(InputProblem(path, None, None, "", None, message, hint))

    def follow(self, file: ReadFile | None, key: str) -> Path | None:
        """Return the path that a key of a file names, if it names a file that is there."""
        written = file.tree.child(key) if file else None
        if file is None or written is None or not isinstance(written.value, str):
            return None
        path = Path(os.path.normpath(file.path.parent / written.value))
        try:
            found = path.is_file()
        except (OSError, ValueError):
            found = False
        if not found:
            hint = _near_file(path, beside=file.path.parent)
            self.problems.append(file.problem((key,), f"there is no file {str(path)!r}", hint))
            return None
        return path

    def build(self, file: ReadFile | None, model: type[M]) -> M | None:
        """Validate a tree; its problems are collected."""
        if file is None:
            return None
        try:
            # Validated as JSON: strict about types there means what the user wrote.
            return model.model_validate_json(json.dumps(file.tree.plain()), strict=True)
        except ValidationError as error:
            self.problems += model_problems(file.path, file.tree, model, error)
            return None

    def raise_problems(self) -> None:
        def place(problem: InputProblem) -> tuple[int, int, int]:
            return self.asked_for.index(problem.file), problem.line or 0, problem.column or 0

        if problems := without_repeats(self.problems, self.renamed):
            raise OrdersError(sorted(problems, key=place))


def _meant(tree: Node) -> str | None:
    """Return the kind of file whose keys are in a tree; None where they do not show it."""
    keys = set(tree.value) if isinstance(tree.value, dict) else set()
    shared = {kind: len(keys & set(f.model.model_fields)) for kind, f in USER_FILES.items()}
    best = max(shared, key=lambda kind: shared[kind])
    return best if shared[best] > 2 else None  # two kinds share the name, and no more


def _near_file(path: Path, beside: Path | None = None) -> str:
    """Suggest a file that is there instead, written as it would be in a file in ``beside``."""
    try:
        names = sorted(entry.name for entry in path.parent.iterdir() if entry.is_file())
    except (OSError, ValueError):
        names = []
    near = did_you_mean(path.name, names)
    if beside is None:
        return near or "check the path"
    relative = os.path.relpath(path.parent, beside)
    if near:
        word = near.removeprefix("did you mean ").removesuffix("?")
        near = f"did you mean {(Path(relative) / word).as_posix()}? "
    return f"{near}write a path relative to this file"
