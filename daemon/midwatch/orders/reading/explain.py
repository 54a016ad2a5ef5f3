"""Turns what the models reject into sentences with a place and a remedy."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel, JsonValue, ValidationError

from midwatch.orders.models import COMPLAINT, InputProblem, did_you_mean, field_name, nearest, shown
from midwatch.orders.reading.yaml_text import Node, PathPart, TextError

_UNITS = {
    "_c_per_min": "degrees Celsius a minute",
    "_percent": "percent",
    "_arcsec": "arcseconds",
    "_deg": "degrees",
    "_min": "minutes",
    "_mag": "magnitudes per square arcsecond",
    "_mm": "millimetres",
    "_um": "micrometres",
    "_px": "pixels",
    "_ms": "metres a second",
    "_m": "metres",
    "_s": "seconds",
    "_c": "degrees Celsius",
}

Schema = dict[str, Any]


def problem_at(
    file: Path, tree: Node, path: tuple[PathPart, ...], message: str, hint: str
) -> InputProblem:
    """Make a problem of what is, or should be, at a path of a tree."""
    line, column = tree.place(path)
    node: Node | None = tree
    for part in path:
        node = node.child(part) if node else None
    return InputProblem(
        file, line, column, field_name(path), node.plain() if node else None, message, hint
    )


def text_problem(file: Path, error: TextError) -> InputProblem:
    """Make a problem of text that is not usable YAML."""
    return InputProblem(
        file, error.line, error.column, field_name(error.path), None, error.message, error.hint
    )


def model_problems(
    file: Path, tree: Node, model: type[BaseModel], error: ValidationError
) -> list[InputProblem]:
    """Explain every error of a validation.

    Args:
        file: path as the user would type it.
        tree: what was validated.
        model: against which it was validated.
        error: what came out.
    """
    details = error.errors(include_url=False)
    meant = {
        (*path[:-1], nearest(str(path[-1]), _keys(model, path[:-1])))
        for path in (tuple(d["loc"]) for d in details if d["type"] == "extra_forbidden")
    }
    broken = {tuple(d["loc"])[:depth] for d in details for depth in range(len(d["loc"]))}
    problems = []
    for detail in details:
        path = tuple(detail["loc"])
        if detail["type"] == "too_short" and path in broken:
            continue  # it is short only of the items that are wrong
        facts = detail.get("ctx", {})
        if detail["type"] == COMPLAINT:
            path += tuple(facts["at"])
            problems.append(problem_at(file, tree, path, facts["message"], facts["hint"]))
        elif detail["type"] == "value_error":
            message, _, hint = str(facts["error"]).partition("; ")
            problems.append(problem_at(file, tree, path, message, hint))
        elif detail["type"] != "missing" or path not in meant:
            # A missing key that is there misspelt is one slip, and reported once.
            message, hint = _said(detail["type"], path, detail["input"], tree, model)
            problems.append(problem_at(file, tree, path, message, hint))
    return problems


def _said(
    kind: str, path: tuple[PathPart, ...], value: JsonValue, tree: Node, model: type[BaseModel]
) -> tuple[str, str]:
    if kind == "extra_forbidden":
        known = _keys(model, path[:-1])
        near = did_you_mean(str(path[-1]), known)
        return "is not known here", f"{near} known here: {', '.join(known)}".strip()
    schema = _find(model, path)
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if kind == "missing":
        return "is missing", _where_to_add(path, schema, tree)
    wanted = _wanted(key, schema)
    if not path:
        return f"the file is {shown(value)}, not a block of keys", f"write {wanted}"
    if value is None:
        needed = key in _find(model, path[:-1]).get("required", ())
        hint = f"write {wanted}" + ("" if needed else ", or remove the line")
        return "nothing is written here", hint
    if kind == "string_type" and not isinstance(value, list | dict):
        return f"{shown(value)} is not text", f"put it in quotes: '{shown(value)}'"
    if kind == "literal_error":
        near = did_you_mean(str(value), schema.get("enum", ()))
        return f"{shown(value)} is not allowed", f"{near} write {wanted}".strip()
    if kind == "too_short":
        return "an empty list", f"write at least one item: {_flow(schema)}"
    if kind.startswith("date"):
        return f"{shown(value)} is not a date in the years 2000 to 2099", f"write {wanted}"
    if kind == "string_too_short":
        return "empty text", f"write {wanted}"
    if isinstance(value, str) and schema.get("type") in ("number", "integer"):
        return f"{shown(value)} is not a number", f"write {wanted}"
    return f"{shown(value)} is not allowed", f"write {wanted}"


@cache
def _schema_of(model: type[BaseModel]) -> Schema:
    return model.model_json_schema()


def _find(model: type[BaseModel], path: tuple[PathPart, ...]) -> Schema:
    """Return the schema of a path, or {} where the models leave it open."""
    root = _schema_of(model)
    schema = _open(root, root)
    for part in path:
        if isinstance(part, int):
            below = schema.get("items", {})
        else:
            below = schema.get("properties", {}).get(part, schema.get("additionalProperties"))
        schema = _open(below, root) if isinstance(below, dict) else {}
    return schema


def _keys(model: type[BaseModel], path: tuple[PathPart, ...]) -> list[str]:
    return list(_find(model, path).get("properties", {}))


def _open(schema: Schema, root: Schema) -> Schema:
    """Follow a reference, and take the part of an optional value that is not null."""
    if "$ref" in schema:
        target = root["$defs"][schema["$ref"].rpartition("/")[2]]
        return {**target, **{key: schema[key] for key in schema if key != "$ref"}}
    choices = [choice for choice in schema.get("anyOf", ()) if choice.get("type") != "null"]
    if len(choices) == 1:
        return _open(choices[0], root)
    return schema


def _wanted(key: str, schema: Schema) -> str:
    """Say what belongs in a place."""
    if "enum" in schema:
        return f"one of {', '.join(schema['enum'])}"
    if "properties" in schema:
        return f"a block of keys: {', '.join(schema['properties'])}"
    kind = schema.get("type")
    if kind in ("number", "integer"):
        return f"{_noun(key, whole=kind == 'integer')}{_bounds(schema)}"
    plain = {
        "boolean": "true or false",
        "array": "a list, each item after '- '",
        "object": "a block of 'name: value' lines",
    }
    if schema.get("format") == "date":
        return "a date such as 2027-03-10"
    return plain.get(kind or "", "text of at most 60 letters" if "maxLength" in schema else "text")


def _noun(key: str, *, whole: bool) -> str:
    for ending, unit in _UNITS.items():
        if key.endswith(ending) and not key.endswith("s_per_um"):
            return unit
    return "a whole number" if whole else "a number"


def _bounds(schema: Schema) -> str:
    above, least = schema.get("exclusiveMinimum"), schema.get("minimum")
    most = schema.get("maximum")
    if least is not None and most is not None:
        return f" from {least:g} to {most:g}"
    if least is not None:
        return f", {least:g} or more"
    if above is not None:
        return f" above {above:g}" + (f", at most {most:g}" if most is not None else "")
    return ""


def _where_to_add(path: tuple[PathPart, ...], schema: Schema, tree: Node) -> str:
    line, _ = tree.place(path[:-1])
    where = f"to {field_name(path[:-1])} (line {line})" if path[:-1] else "to the file"
    return f'add "{path[-1]}: {_flow(schema)}" {where}'


def _flow(schema: Schema) -> str:
    """Write an example as it may be written in the file, in one line."""
    example = schema.get("examples", ["..."])[0]
    text: str = yaml.safe_dump(example, default_flow_style=True, width=1000, sort_keys=False)
    return text.removesuffix("\n").removesuffix("\n...")
