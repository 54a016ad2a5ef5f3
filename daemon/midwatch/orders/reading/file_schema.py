"""JSON Schema of the files, for editors and for other programs."""

from __future__ import annotations

from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from midwatch.orders.injected import Scenario
from midwatch.orders.models import NightOrders, Rig, Site


class UserFile(NamedTuple):
    """A kind of file that the user writes: its model, and what a message calls it."""

    model: type[BaseModel]
    called: str


USER_FILES: dict[str, UserFile] = {
    "orders": UserFile(NightOrders, "a file of night orders"),
    "site": UserFile(Site, "a site file"),
    "rig": UserFile(Rig, "a rig file"),
    "scenario": UserFile(Scenario, "a scenario file"),
}


def json_schema(kind: str) -> dict[str, Any]:
    """Describe one kind of file in JSON Schema, draft 2020-12.

    Args:
        kind: of file, one of `USER_FILES`.

    Returns:
        The schema; every key has a description that an editor can show.
    """
    schema = USER_FILES[kind].model.model_json_schema()
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}
