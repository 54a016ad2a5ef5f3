"""Finds words of earlier versions in a file, and says what to write today."""

from __future__ import annotations

from collections.abc import Iterator

from midwatch.orders.models import RENAMED_KEYS, InputProblem
from midwatch.orders.reading.crosscheck import ReadFile


def renamed_words(file: ReadFile, kind: str) -> Iterator[InputProblem]:
    """Find keys that have another name today.

    Args:
        file: as it was read.
        kind: of file, one of `USER_FILES`.
    """
    for old in RENAMED_KEYS:
        if old.file != kind:
            continue
        for path, node in file.tree.each(*old.path):
            written = node.plain()
            value = old.values.get(written, written) if isinstance(written, str) else written
            today = f"{old.key}: {value}" if isinstance(value, str | int | float) else old.key
            yield file.problem(path, f"{old.path[-1]} has another name today", f"write {today}")


def without_repeats(
    problems: list[InputProblem], renamed: list[InputProblem]
) -> list[InputProblem]:
    """Return all problems, of a renamed word only that it was renamed."""
    places = {(problem.file, problem.field) for problem in renamed}
    return renamed + [p for p in problems if (p.file, p.field) not in places]
