"""YAML text to data that remembers where each value is.

The text is read event by event, so that neither depth nor aliases can exhaust the machine, and
plain scalars follow the core schema of YAML 1.2: ``on``, ``no`` and ``5:35:17`` stay text, as do
dates. Duplicate keys are errors.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml
from pydantic import JsonValue

_DEEPEST = 30
_MOST_VALUES = 20_000

_INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: dict[str, JsonValue] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True,
    "false": False, "False": False, "FALSE": False,
}  # fmt: skip

_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
PathPart = str | int


@dataclass
class TextError(Exception):
    """The text is not usable YAML; line and column count from 1."""

    line: int
    column: int
    message: str
    hint: str
    path: tuple[PathPart, ...] = ()


@dataclass
class Node:
    """A value and where it is; line and column count from 1.

    Attributes:
        value: a scalar, or child nodes in a dict or a list.
        keys: line and column of each key of a mapping.
        size: number of values in it, itself included.
    """

    line: int
    column: int
    value: Any
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)
    size: int = 1

    def plain(self) -> JsonValue:
        """Return the data without places."""
        if isinstance(self.value, dict):
            return {key: child.plain() for key, child in self.value.items()}
        if isinstance(self.value, list):
            return [child.plain() for child in self.value]
        value: JsonValue = self.value
        return value

    def child(self, part: PathPart) -> Node | None:
        """Return the value under a key or at an index, if it is there."""
        if isinstance(self.value, dict) and isinstance(part, str):
            return self.value.get(part)
        if isinstance(self.value, list) and isinstance(part, int) and part < len(self.value):
            found: Node = self.value[part]
            return found
        return None

    def each(self, *pattern: str) -> Iterator[tuple[tuple[PathPart, ...], Node]]:
        """Walk the values under a path in which "*" stands for every key or item."""
        if not pattern:
            yield (), self
            return
        head, rest = pattern[0], pattern[1:]
        parts: list[PathPart] = [head]
        if head == "*" and isinstance(self.value, dict):
            parts = list(self.value)
        elif head == "*" and isinstance(self.value, list):
            parts = list(range(len(self.value)))
        for part in parts:
            child = self.child(part)
            if child is not None:
                for path, node in child.each(*rest):
                    yield (part, *path), node

    def place(self, path: tuple[PathPart, ...]) -> tuple[int, int]:
        """Return line and column of a path: of its key, or of the nearest thing around it."""
        node, place = self, (self.line, self.column)
        for part in path:
            child = node.child(part)
            if child is None:
                break
            place = node.keys.get(str(part), (child.line, child.column))
            node = child
        return place


def read_tree(text: str) -> Node:
    """Read one YAML document.

    Args:
        text: of a whole file.

    Returns:
        The tree of its values.

    Raises:
        TextError: it is not YAML, is empty, holds several documents, repeats a key, uses tags, or
            is absurdly deep or large.
    """
    try:
        return _Builder(text).document()
    except yaml.MarkedYAMLError as error:
        opened = "flow" in (error.context or "") or "quoted" in (error.context or "")
        mark = error.context_mark if opened else error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise TextError(line, column, *_syntax(error.problem or "unreadable", text, line)) from None
    except yaml.YAMLError as error:
        position = getattr(error, "position", 0)
        line = text.count("\n", 0, position if isinstance(position, int) else 0) + 1
        raise TextError(
            line, 1, "a character that text files do not hold", "remove it, or save as UTF-8"
        ) from None


def _syntax(problem: str, text: str, line: int) -> tuple[str, str]:
    lines = text.splitlines()
    written = lines[line - 1] if line <= len(lines) else ""
    indent = written[: len(written) - len(written.lstrip())]
    if "\t" in indent:
        return "a tab in the indentation", "indent with spaces"
    if "mapping values are not allowed" in problem:
        return (
            "a second ': ' in one line, or a wrong indentation",
            "put text that holds ': ' in quotes, and indent keys of one block alike",
        )
    if "end of stream" in problem or "',' or '" in problem:
        return (
            "a quote or bracket that opens here is not closed",
            "close it, and set commas between items",
        )
    return (
        f"not readable as YAML ({problem})",
        "write 'key: value' lines, keys of one block indented alike, list items after '- '",
    )


def _place(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


class _Builder:
    """Builds the tree from the stream of parsing events."""

    def __init__(self, text: str) -> None:
        self._events: Iterator[Any] = iter(yaml.parse(text, Loader=_Loader))
        self._anchors: dict[str, Node] = {}
        self._values = 0

    def document(self) -> Node:
        event = self._next()
        while isinstance(event, yaml.StreamStartEvent | yaml.DocumentStartEvent):
            event = self._next()
        if isinstance(event, yaml.StreamEndEvent):
            raise TextError(1, 1, "the file is empty", "write the keys of the file, one a line")
        node = self._node(event, ())
        self._next()
        event = self._next()
        if not isinstance(event, yaml.StreamEndEvent):
            raise self._error(event, (), "a second document begins", "keep one document in a file")
        return node

    def _next(self) -> Any:
        return next(self._events)

    @staticmethod
    def _error(event: Any, path: tuple[PathPart, ...], message: str, hint: str) -> TextError:
        return TextError(*_place(event), message, hint, path)

    def _node(self, event: Any, path: tuple[PathPart, ...]) -> Node:
        if len(path) > _DEEPEST:
            raise self._error(event, (), f"nested more than {_DEEPEST} deep", "indent less")
        node = Node(*_place(event), None)
        if isinstance(event, yaml.AliasEvent):
            known = self._anchors.get(event.anchor or "")
            if known is None:
                raise self._error(
                    event,
                    path,
                    f"*{event.anchor} is not defined above",
                    f"mark the value &{event.anchor}",
                )
            node = known
        elif isinstance(event, yaml.ScalarEvent):
            node.value = self._scalar(event, path)
        elif isinstance(event, yaml.MappingStartEvent):
            self._refuse_tag(event, path)
            self._mapping(node, path)
        else:
            self._refuse_tag(event, path)
            self._sequence(node, path)
        self._values += node.size if isinstance(event, yaml.AliasEvent) else 1
        if self._values > _MOST_VALUES:
            raise self._error(event, (), f"more than {_MOST_VALUES} values", "split the file")
        if event.anchor and not isinstance(event, yaml.AliasEvent):
            self._anchors[event.anchor] = node
        return node

    def _mapping(self, node: Node, path: tuple[PathPart, ...]) -> None:
        children: dict[str, Node] = {}
        node.value = children
        while not isinstance(event := self._next(), yaml.MappingEndEvent):
            if not isinstance(event, yaml.ScalarEvent):
                raise self._error(event, path, "a key that is not a word", "write 'key: value'")
            key = event.value
            if key in children:
                first = node.keys[key][0]
                raise self._error(
                    event, (*path, key), f"is written here twice, first in line {first}",
                    "keep one of them",
                )  # fmt: skip
            node.keys[key] = _place(event)
            children[key] = self._node(self._next(), (*path, key))
            node.size += children[key].size

    def _sequence(self, node: Node, path: tuple[PathPart, ...]) -> None:
        children: list[Node] = []
        node.value = children
        while not isinstance(event := self._next(), yaml.SequenceEndEvent):
            children.append(self._node(event, (*path, len(children))))
            node.size += children[-1].size

    def _refuse_tag(self, event: Any, path: tuple[PathPart, ...]) -> None:
        if event.tag not in (None, "!"):
            raise self._error(event, path, f"a YAML tag ({event.tag})", "write the plain value")

    def _scalar(self, event: Any, path: tuple[PathPart, ...]) -> JsonValue:
        self._refuse_tag(event, path)
        text: str = event.value
        if any("\ud800" <= letter <= "\udfff" for letter in text):
            raise self._error(event, path, "half of a character", "write the character itself")
        if event.style or event.tag:
            return text
        if text in _WORDS:
            return _WORDS[text]
        if _INTEGER.fullmatch(text):
            return int(text)
        if _NUMBER.fullmatch(text):
            number = float(text)
            if math.isinf(number):
                raise self._error(event, path, "a number too large", "write a smaller number")
            return number
        return text
