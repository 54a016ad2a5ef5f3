"""The published description of the bus agrees with what really travels on it.

Checked with `jsonschema` against the meta-schemas of JSON Schema, and against the structure that
the AsyncAPI 3.0.0 specification asks for (asyncapi.com, sections Channels, Operations, Reply).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from typing import Any

import jsonschema
import pytest

from midwatch.bus import Answer, Online, Request, StateEnvelope, Topics, encode, parse
from midwatch.devices.contract import STATES, Kind, commands_of
from midwatch.devices.contract.kinds import Cool, MountState, Slew
from midwatch.interface.documents import bus_document
from support.interface_bench import midwatch

NOW = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
TOPICS = Topics("Larch Hollow", "Harrier")


@cache
def document() -> dict[str, Any]:
    return bus_document()


def walk(node: Any) -> Iterator[Any]:
    yield node
    children = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    for child in children:
        yield from walk(child)


def resolve(reference: str) -> Any:
    node: Any = document()
    assert reference.startswith("#/")
    for step in reference[2:].split("/"):
        node = node[step]
    return node


def payload_schema(channel: str, message: str) -> dict[str, Any]:
    """The schema of a message as one document, so that its references resolve."""
    found = resolve(document()["channels"][channel]["messages"][message]["$ref"])
    return {**found["payload"], "components": document()["components"]}


def channel_at(address: str) -> str:
    (name,) = (n for n, c in document()["channels"].items() if c["address"].endswith(address))
    return str(name)


def test_every_reference_leads_somewhere() -> None:
    references = [n["$ref"] for n in walk(document()) if isinstance(n, dict) and "$ref" in n]
    assert len(references) > 100
    for reference in references:
        assert isinstance(resolve(reference), dict)


def test_every_schema_is_a_schema() -> None:
    # AsyncAPI schema objects are a superset of draft 7; pydantic writes draft 2020-12.
    for schema in document()["components"]["schemas"].values():
        jsonschema.Draft7Validator.check_schema(schema)
        jsonschema.Draft202012Validator.check_schema(schema)


def test_operations_have_the_parts_that_the_standard_asks_for() -> None:
    assert document()["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(document()["info"])
    for operation in document()["operations"].values():
        assert operation["action"] in ("send", "receive")
        channel = operation["channel"]["$ref"]
        for message in operation["messages"]:
            assert message["$ref"].startswith(f"{channel}/messages/")
        if "reply" in operation:
            assert operation["reply"]["address"]["location"] == "$message.payload#/reply_to"


def test_parameters_are_exactly_those_of_the_address() -> None:
    for channel in document()["channels"].values():
        assert set(re.findall(r"{(\w+)}", channel["address"])) == set(channel["parameters"])


def test_addresses_are_topics_of_the_bus() -> None:
    values = {"site": "larch-hollow", "rig": "harrier", "device": "mount", "event": "limit_held",
              "client": "daemon"}  # fmt: skip
    addresses = [c["address"].format(**values) for c in document()["channels"].values()]
    assert all(parse(address) is not None for address in addresses)
    assert {TOPICS.state("mount"), TOPICS.online("mount"), TOPICS.about("mount"),
            TOPICS.event("mount", "limit_held"), TOPICS.reply("daemon"), TOPICS.night_state,
            TOPICS.night_decision, TOPICS.night_lease, TOPICS.do("daemon", "pause"),
            TOPICS.do("mount", "make_safe")} <= set(addresses)  # fmt: skip


def test_every_state_and_every_command_is_described() -> None:
    addresses = {c["address"] for c in document()["channels"].values()}
    root = "midwatch/{site}/{rig}"
    for kind in Kind:
        assert f"{root}/{kind}/state" in addresses
        for name, command in commands_of(kind).items():
            level = "{device}" if command.kind is None else kind.value
            assert f"{root}/{level}/do/{name}" in addresses


def sent(model: Any) -> Any:
    return json.loads(encode(model))


def request(args: dict[str, Any]) -> Any:
    return sent(Request(id="a-1", reply_to=TOPICS.reply("daemon"), deadline=NOW, sender="daemon",
                        lease="midwatch-1", args=args))  # fmt: skip


def test_what_really_travels_is_valid() -> None:
    state = StateEnvelope(seq=1, at=NOW, state=MountState(connected=True).model_dump(mode="json"))
    slew = request(Slew(ra_deg=210.8, dec_deg=54.3).model_dump(mode="json"))
    online = Online(online=True, since=NOW, driver="simulated-mount")
    for address, message, instance in (
        ("/mount/state", "message", sent(state)),
        ("/mount/do/slew", "request", slew),
        ("/{device}/online", "message", sent(online)),
        ("/reply/{client}", "Answer", sent(Answer(id="a-1", ok=True))),
    ):
        jsonschema.validate(instance, payload_schema(channel_at(address), message))


@pytest.mark.parametrize(
    "args",
    [{"ra_deg": 400.0, "dec_deg": 0.0}, {"ra_deg": 10.0}, {"ra_deg": 1.0, "dec_deg": 2.0, "x": 3}],
)
def test_what_a_device_would_refuse_is_invalid(args: dict[str, Any]) -> None:
    schema = payload_schema(channel_at("/mount/do/slew"), "request")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(request(args), schema)


def test_a_state_with_a_misspelt_field_is_invalid() -> None:
    state = {**STATES[Kind.ROOF]().model_dump(mode="json"), "postion": "open"}
    instance = sent(StateEnvelope(seq=1, at=NOW, state=state))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(instance, payload_schema(channel_at("/roof/state"), "message"))


def test_the_camera_takes_what_is_cooled_within_its_bounds() -> None:
    schema = payload_schema(channel_at("/camera/do/cool"), "request")
    good = Cool(setpoint_c=-10, rate_c_per_min=2).model_dump(mode="json")
    jsonschema.validate(request(good), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(request({**good, "rate_c_per_min": 0}), schema)


def test_the_command_prints_it_as_it_is() -> None:
    said = midwatch("schema", "bus")
    assert said.code == 0
    assert said.json == document()


@pytest.mark.parametrize("what", ["orders", "site", "rig", "night", "drill"])
def test_schemas_of_files_are_schemas(what: str) -> None:
    said = midwatch("schema", what)
    assert said.json["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(said.json)
