"""Finds the place in a file of something that was found out only after it was read."""

from __future__ import annotations

from pathlib import Path

from midwatch.orders.models import InputProblem
from midwatch.orders.reading.explain import problem_at
from midwatch.orders.reading.yaml_text import PathPart, TextError, read_tree

__all__ = ["problem_in_file"]


def problem_in_file(
    file: Path, path: tuple[PathPart, ...], message: str, hint: str
) -> InputProblem:
    """Return a problem of what is, or should be, at a path of a file.

    Without a line where the file cannot be read any more.
    """
    try:
        tree = read_tree(file.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, TextError):
        return InputProblem(file, None, None, "", None, message, hint)
    return problem_at(file, tree, path, message, hint)
