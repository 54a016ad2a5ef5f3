"""What is wrong with a file, said so that it can be put right at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from pydantic import JsonValue

from midwatch.errors import InputError

_LONGEST_VALUE = 60


@dataclass(frozen=True)
class InputProblem:
    """One thing that is wrong, where it is, and what to write instead.

    Attributes:
        file: path as the user would type it.
        line: counted from 1; None where the whole file is meant.
        column: counted from 1.
        field: path of the value in the file, such as ``targets[1].frames[0].exposure_s``.
        value: what is written there; None where nothing does.
        message: what is wrong, without the place.
        hint: what to write instead.
    """

    file: Path
    line: int | None
    column: int | None
    field: str
    value: JsonValue
    message: str
    hint: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else f"{self.file}"
        said = f"{self.message}; {self.hint}" if self.hint else self.message
        return f"{place}: {self.field}: {said}" if self.field else f"{place}: {said}"


class OrdersError(InputError):
    """The files of a night cannot be used; every problem of all of them is listed.

    Attributes:
        problems: at least one, ordered by file as they were read, then by line.
    """

    def __init__(self, problems: Sequence[InputProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def field_name(path: Sequence[str | int]) -> str:
    """Write a path as a person reads it: ``targets[1].frames[0].filter``."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".")


def shown(value: JsonValue) -> str:
    """Write a value for a message: as it would be written in the file, and short."""
    if isinstance(value, dict):
        return "a block of keys"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."


def nearest(word: str, known: Iterable[str], cutoff: float = 0.7) -> str | None:
    """Return the known word that is meant, if one is alike by more than the cutoff (0 to 1)."""
    by_fold = {name.casefold(): name for name in sorted(known)}
    near = get_close_matches(word.casefold(), by_fold, n=1, cutoff=cutoff)
    return by_fold[near[0]] if near else None


def did_you_mean(word: str, known: Iterable[str], cutoff: float = 0.7) -> str:
    """Return "did you mean X?" for the nearest known word, or "" where none is near."""
    near = nearest(word, known, cutoff)
    return f"did you mean {near}?" if near else ""
