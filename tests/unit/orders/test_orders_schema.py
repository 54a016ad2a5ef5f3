from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from midwatch.orders.reading import json_schema
from midwatch.orders.reading.yaml_text import read_tree

CONFIGS = Path(__file__).parents[3] / "configs"
FOLDERS = {"orders": "orders", "site": "sites", "rig": "rigs"}


@pytest.mark.parametrize("kind", FOLDERS)
def test_shipped_schema_is_that_of_the_models(kind):
    shipped = json.loads((CONFIGS / f"schema/{kind}.schema.json").read_text())
    assert shipped == json_schema(kind), "write the schema files anew from json_schema()"


@pytest.mark.parametrize("kind", FOLDERS)
def test_schema_is_sound_and_explains_every_key(kind):
    schema = json_schema(kind)
    # JSON Schema draft 2020-12, checked against its own meta-schema by the jsonschema package.
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
    models = [model for model in schema["$defs"].values() if "properties" in model]
    for model in (schema, *models):
        assert model["additionalProperties"] is False
        for key, value in model["properties"].items():
            target = schema["$defs"].get(value.get("$ref", "").rpartition("/")[2], {})
            said = value.get("description") or target.get("description")
            assert said, f"{model['title']}.{key} has no description"


@pytest.mark.parametrize(("kind", "folder"), FOLDERS.items())
def test_schema_accepts_shipped_files_and_they_name_it(kind, folder):
    validator = jsonschema.Draft202012Validator(json_schema(kind))
    files = sorted((CONFIGS / folder).glob("*.yaml"))
    assert files
    for path in files:
        text = path.read_text()
        first = text.splitlines()[0]
        assert first == f"# yaml-language-server: $schema=../schema/{kind}.schema.json"
        validator.validate(read_tree(text).plain())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("count: 12", "count: 0"),
        ("frames_in_turn: true", "frames_in_turn: often"),
        ("trip: 60", "tripp: 60"),
    ],
)
def test_schema_refuses_what_the_models_refuse(old, new):
    text = (CONFIGS / "orders/first-night.yaml").read_text().replace(old, new)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(read_tree(text).plain(), json_schema("orders"))
