"""JSON Schema of the files, for editors and for other programs."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from midwatch.orders.injected import Scenario
from midwatch.orders.models import NightOrders, Rig, Site

FileKind = Literal["orders", "site", "rig", "scenario"]

MODELS: dict[FileKind, type[BaseModel]] = {
    "orders": NightOrders,
    "site": Site,
    "rig": Rig,
    "scenario": Scenario,
}


def json_schema(kind: FileKind) -> dict[str, Any]:
    """Describe one kind of file in JSON Schema, draft 2020-12.

    Args:
        kind: of file.

    Returns:
        The schema; every key has a description that an editor can show.
    """
    schema = MODELS[kind].model_json_schema()
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}
