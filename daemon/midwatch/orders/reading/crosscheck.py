"""What must hold between the files of a night.

The checks read trees, not models, so that one broken value does not hide the next.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from midwatch.orders.models import (
    AngleError,
    InputProblem,
    did_you_mean,
    parse_dec_deg,
    parse_ra_deg,
)
from midwatch.orders.reading.explain import problem_at
from midwatch.orders.reading.yaml_text import Node, PathPart
from midwatch.sky import separation_deg
from midwatch.sky.catalogues import find_object, suggest_names
from midwatch.sky.mounts import MountGeometry

# A catalogued name this far from the coordinates next to it is a slip, not a choice of framing.
FAR_FROM_CATALOGUE_DEG = 5.0


@dataclass(frozen=True)
class ReadFile:
    """A file that was read: its path as the user would type it, and the tree of its values."""

    path: Path
    tree: Node

    def problem(self, path: tuple[PathPart, ...], message: str, hint: str) -> InputProblem:
        """Make a problem of a place in this file."""
        return problem_at(self.path, self.tree, path, message, hint)

    def words(self, *pattern: str) -> Iterator[tuple[tuple[PathPart, ...], str]]:
        """Walk the texts under a pattern of keys."""
        for path, node in self.tree.each(*pattern):
            if isinstance(node.value, str):
                yield path, node.value


def unknown_words(
    file: ReadFile, pattern: tuple[str, ...], known: Collection[str] | None, what: str
) -> Iterator[InputProblem]:
    """Find names that nothing installed answers to.

    Args:
        file: where they are written.
        pattern: keys under which they are written.
        known: names that are installed; None leaves them unchecked.
        what: what they name, for the message, such as "driver".
    """
    if known is None:
        return
    for path, word in file.words(*pattern):
        if word not in known:
            near = did_you_mean(word, known, cutoff=0.8)  # drivers of one family are all alike
            rest = f"installed: {', '.join(sorted(known))}" if known else f"no {what} is installed"
            yield file.problem(path, f"no {what} is called {word!r}", f"{near} {rest}".strip())


def unorderable_duties(
    file: ReadFile, needs: Mapping[str, tuple[str, ...]], known: Collection[str] | None
) -> Iterator[InputProblem]:
    """Find standing orders for duties that need more facts than a standing order gives.

    Args:
        file: the night orders.
        needs: what each such duty needs to be given, by its name.
        known: names of installed duties; None where they are not known.
    """
    for path, word in file.words("standing_orders", "*", "do"):
        if word in needs:
            others = ", ".join(sorted(set(known or ()) - needs.keys()))
            instead = f"; name one of {others}" if others else ""
            yield file.problem(
                path,
                f"{word} needs {', '.join(needs[word])}, which a standing order does not say",
                f"Midwatch chooses it by itself{instead}",
            )


def wheel_filters(rig: ReadFile) -> tuple[str, ...] | None:
    """Return the wheel's filters; () without a wheel, None where the rig does not say."""
    wheels = [node for _, node in rig.tree.each("devices", "filter_wheel") if node.value]
    if not wheels:
        return ()
    filters = [name for _, name in rig.words("devices", "filter_wheel", "options", "filters", "*")]
    return tuple(filters) or None


def filters_in_rig(rig: ReadFile) -> Iterator[InputProblem]:
    """Check that focus and centring name filters of the wheel, and its names differ."""
    filters = wheel_filters(rig)
    seen: set[str] = set()
    for path, name in rig.words("devices", "filter_wheel", "options", "filters", "*"):
        if name in seen:
            yield rig.problem(path, f"{name} is written here twice", "give each slot its own name")
        seen.add(name)
    for path, _ in rig.tree.each("focus", "filter_offsets", "*"):
        yield from _filter_problem(rig, path, str(path[-1]), filters)
    for path, name in rig.words("centring", "filter"):
        yield from _filter_problem(rig, path, name, filters)


def folders_in_rig(rig: ReadFile) -> Iterator[InputProblem]:
    """Check that the folder of star index files is there."""
    for path, name in rig.words("centring", "index_folder"):
        if not (rig.path.parent / Path(name).expanduser()).is_dir():
            yield rig.problem(
                path, f"there is no folder {name!r}",
                "leave the line out, or install index files and name their folder",
            )  # fmt: skip


def filters_in_orders(orders: ReadFile, rig: ReadFile) -> Iterator[InputProblem]:
    """Check that frames name filters of the rig's wheel, or none where there is no wheel."""
    filters = wheel_filters(rig)
    for path, frame in orders.tree.each("targets", "*", "frames", "*"):
        if not isinstance(frame.value, dict):
            continue
        named = frame.value.get("filter")
        if named is None or named.value is None:
            if filters:
                hint = f'add "filter: {filters[0]}" or another of {", ".join(filters)}'
                where = (*path, "filter") if named else path
                yield orders.problem(where, "does not say which filter", hint)
        elif isinstance(named.value, str):
            yield from _filter_problem(orders, (*path, "filter"), named.value, filters)


def _filter_problem(
    file: ReadFile, path: tuple[PathPart, ...], name: str, filters: tuple[str, ...] | None
) -> Iterator[InputProblem]:
    if filters == ():
        yield file.problem(path, "the rig has no filter wheel", "leave this line out")
    elif filters is not None and name not in filters:
        near = did_you_mean(name, filters)
        hint = f"{near} the wheel holds {', '.join(filters)}".strip()
        yield file.problem(path, f"no filter is called {name!r}", hint)


def no_flip_is_ordered(orders: ReadFile, mount: MountGeometry) -> Iterator[InputProblem]:
    """Check that no standing order flips a mount that has no flip."""
    if mount.flips_to is not None:
        return
    for path, duty in orders.words("standing_orders", "*", "do"):
        if duty == "flip":
            message = f"the rig's {mount.words} is never flipped"
            yield orders.problem(path, message, "order something else, or leave this order out")


def flats_need_a_panel(orders: ReadFile, rig: ReadFile) -> Iterator[InputProblem]:
    """Check that flats are ordered of a rig that has a panel to take them with."""
    panels = [node for _, node in rig.tree.each("devices", "flat_panel") if node.value]
    for path, node in orders.tree.each("calibration", "flats"):
        if node.value and isinstance(node.value, int) and not panels:
            yield orders.problem(
                path, "the rig has no flat panel", "write 0, or add flat_panel to its devices"
            )


def names_in_orders(orders: ReadFile) -> Iterator[InputProblem]:
    """Check that targets are known or given by coordinates that fit, and are named once."""
    seen: dict[str, str] = {}
    for path, name in orders.words("targets", "*", "name"):
        folded = "".join(filter(str.isalnum, name.casefold()))
        if folded in seen:
            yield orders.problem(
                path, f"a second target called {name!r}",
                "give all its frames in one target, or call it otherwise",
            )  # fmt: skip
        seen[folded] = name
        target = orders.tree.child("targets")
        node = target.child(path[1]) if target else None
        assert node is not None
        yield from _name_problem(orders, path, name, node)


def _name_problem(
    orders: ReadFile, path: tuple[PathPart, ...], name: str, target: Node
) -> Iterator[InputProblem]:
    known = find_object(name)
    ra, dec = target.child("ra"), target.child("dec")
    if ra is None and dec is None:
        if known is None and any(map(str.isalnum, name)):
            near = suggest_names(name)
            hint = (
                f"did you mean {' or '.join(near)}? otherwise" if near else "write it otherwise, or"
            )
            yield orders.problem(
                path, f"{name!r} is not in the deep-sky catalogue", f"{hint} add ra and dec"
            )
        return
    if known is None or ra is None or dec is None:
        return
    try:
        away_deg = separation_deg(
            parse_ra_deg(ra.value), parse_dec_deg(dec.value), known.ra_deg, known.dec_deg
        )
    except (AngleError, TypeError):
        return
    if away_deg > FAR_FROM_CATALOGUE_DEG:
        yield orders.problem(
            (*path[:-1], "ra"),
            f"{name} lies {away_deg:.0f} degrees from these coordinates",
            f"the catalogue says ra: {known.ra_deg:.3f}, dec: {known.dec_deg:.3f} (degrees); a "
            "bare number of ra is degrees, not hours",
        )


def repeated_standing_orders(orders: ReadFile) -> Iterator[InputProblem]:
    """Check that no standing order is given twice."""
    seen: dict[str, int] = {}
    for path, node in orders.tree.each("standing_orders", "*"):
        if not isinstance(node.value, dict):
            continue
        same = repr(sorted((key, repr(child.plain())) for key, child in node.value.items()))
        if same in seen:
            yield orders.problem(
                path, f"the same order as in line {seen[same]}", "keep one of them"
            )
        seen.setdefault(same, node.line)
