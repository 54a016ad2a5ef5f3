"""The published description of the bus: AsyncAPI 3.0, made from the models that travel on it.

The application described is the daemon: it sends commands to devices and receives their states.
A driver written in another language takes the other side of each operation.
"""

from __future__ import annotations

from functools import cache
from typing import Any, cast

from pydantic import BaseModel, create_model
from pydantic.json_schema import models_json_schema

from midwatch import __version__
from midwatch.bus import (
    CONTRACT_VERSION,
    About,
    Answer,
    EventEnvelope,
    Lease,
    Online,
    Request,
    StateEnvelope,
)
from midwatch.devices.contract import ROLES, STATES, Command, Kind, commands_of, kind_of
from midwatch.journal.facts import DecisionMade
from midwatch.sequencer.night import BULLETIN_EVENTS, DAEMON, ChangeArgs, NightState, OperatorArgs

_PARAMETERS: dict[str, str] = {
    "site": "The site's name as one topic level: lower case, blanks and signs as hyphens.",
    "rig": "The rig's name as one topic level.",
    "device": "The role of the device in the rig, such as mount.",
    "event": "Name of the event.",
    "client": "Who asked, as one topic level.",
}
_ORDERS_BY_HAND = ("pause", "resume", "skip", "close")
_REF = "#/components/schemas/{model}"

Json = dict[str, Any]


def bus_document() -> Json:
    """Return the AsyncAPI 3.0 document of the bus."""
    builder = _Builder()
    builder.devices()
    for role in ROLES:
        builder.role(role)
    builder.commands(None, "device", commands_of(Kind.SWITCH))
    builder.night()
    return builder.document()


class _Builder:
    """Collects channels, operations and messages; schemas are made of all models at the end."""

    def __init__(self) -> None:
        self._channels: Json = {}
        self._operations: Json = {}
        self._messages: dict[str, tuple[type[BaseModel], str]] = {}

    def devices(self) -> None:
        """What every device publishes."""
        retained = "Retained, and the device's last will."
        self._receive("online", "{device}/online", Online, retained)
        self._receive("about", "{device}/about", About, "Retained; what the device is and can.")
        self._receive(
            "deviceEvent", "{device}/event/{event}", EventEnvelope, "Progress and facts; not kept."
        )
        self._channel("reply", "reply/{client}", "Answers; each client has its own.", {})

    def role(self, role: str) -> None:
        """The state of the device with a role, and the commands of its kind."""
        kind = kind_of(role)
        about = "Retained; published on change and at each heartbeat."
        self._receive(f"{_camel(role)}State", f"{role}/state", _state_message(kind), about)
        self.commands(kind, role, commands_of(kind))

    def commands(
        self, kind: Kind | None, device: str, known: dict[str, type[Command[Any]]]
    ) -> None:
        """Commands of one kind; without a kind those that every device takes."""
        level = "{device}" if kind is None else device
        for name, command in known.items():
            if command.kind is not kind:
                continue
            request = _request_message(command)
            answer = _answer(command)
            lease = "Needs the lease." if command.needs_lease else "Needs no lease."
            self._call(
                f"{_camel(device)}{_camel(name, first=True)}",
                f"{level}/do/{name}",
                (request, answer),
                f"{_first_line(command)} {lease}",
                action="send",
            )

    def night(self) -> None:
        """What the daemon says of the night, and the orders that it takes."""
        self._send("nightState", "night/state", NightState, "Retained; what the daemon does now.")
        self._send(
            "nightDecision", "night/decision", DecisionMade, "Retained; the latest decision."
        )
        for fact in BULLETIN_EVENTS:
            envelope = create_model(
                f"{fact.__name__}Message",
                __base__=EventEnvelope,
                __doc__=_first_line(fact),
                facts=(fact, ...),
            )
            name = f"night{_camel(fact.kind, first=True)}"
            self._send(name, f"night/event/{fact.kind}", envelope, "As it happens; not kept.")
        change = create_model(
            "NewOrdersRequest",
            __base__=Request,
            __doc__="New night orders for the daemon.",
            args=(ChangeArgs, ...),
        )
        self._call(
            "daemonChange",
            f"{DAEMON}/do/change",
            (change, Answer),
            "New night orders; refused with every problem, or what they change.",
            action="receive",
        )
        self._send("nightLease", "night/lease", Lease, "The right to command, renewed; not kept.")
        request = create_model(
            "OrderByHandRequest",
            __base__=Request,
            __doc__="An order by hand to the daemon.",
            args=(OperatorArgs, ...),
        )
        for order in _ORDERS_BY_HAND:
            self._call(
                f"daemon{_camel(order, first=True)}",
                f"{DAEMON}/do/{order}",
                (request, Answer),
                f"An order by hand: {order}.",
                action="receive",
            )

    def document(self) -> Json:
        """Return the whole."""
        models = [(model, "validation") for model, _ in self._messages.values()]
        _, schemas = models_json_schema(models, ref_template=_REF)  # type: ignore[arg-type]
        return {
            "asyncapi": "3.0.0",
            "info": {
                "title": "The Midwatch bus",
                "version": f"{CONTRACT_VERSION}.0.0",
                "description": "MQTT 3.1.1, QoS 0, JSON in UTF-8. A command is idempotent by its "
                "id, and not begun past its deadline. A device whose heartbeat is late is down. "
                f"Published by Midwatch {__version__}.",
                "license": {"name": "MIT"},
            },
            "defaultContentType": "application/json",
            "channels": self._channels,
            "operations": self._operations,
            "components": {
                "messages": {
                    name: {
                        "name": name,
                        "summary": summary,
                        "payload": {"$ref": _REF.format(model=model.__name__)},
                    }
                    for name, (model, summary) in self._messages.items()
                },
                "schemas": schemas["$defs"],
            },
        }

    def _receive(self, name: str, address: str, model: type[BaseModel], about: str) -> None:
        self._one_way(name, address, model, about, "receive")

    def _send(self, name: str, address: str, model: type[BaseModel], about: str) -> None:
        self._one_way(name, address, model, about, "send")

    def _one_way(
        self, name: str, address: str, model: type[BaseModel], about: str, action: str
    ) -> None:
        self._channel(name, address, about, {"message": self._message(model)})
        self._operations[name] = {
            "action": action,
            "channel": _ref("channels", name),
            "messages": [_ref("channels", name, "messages", "message")],
        }

    def _call(
        self,
        name: str,
        address: str,
        models: tuple[type[BaseModel], type[BaseModel]],
        about: str,
        *,
        action: str,
    ) -> None:
        request, answer = models
        self._channel(name, address, about, {"request": self._message(request)})
        replies = self._channels["reply"]["messages"]
        replies.setdefault(answer.__name__, self._message(answer))
        self._operations[name] = {
            "action": action,
            "channel": _ref("channels", name),
            "messages": [_ref("channels", name, "messages", "request")],
            "reply": {
                "address": {"location": "$message.payload#/reply_to"},
                "channel": _ref("channels", "reply"),
                "messages": [_ref("channels", "reply", "messages", answer.__name__)],
            },
        }

    def _channel(self, name: str, address: str, about: str, messages: Json) -> None:
        full = f"midwatch/{{site}}/{{rig}}/{address}"
        self._channels[name] = {
            "address": full,
            "description": about,
            "parameters": {
                parameter: {"description": text}
                for parameter, text in _PARAMETERS.items()
                if f"{{{parameter}}}" in full
            },
            "messages": messages,
        }

    def _message(self, model: type[BaseModel]) -> Json:
        self._messages[model.__name__] = (model, _first_line(model))
        return _ref("components", "messages", model.__name__)


@cache
def _answer(command: type[Command[Any]]) -> type[BaseModel]:
    if command.answer is None:
        return Answer
    return create_model(
        f"{command.__name__}Answer",
        __base__=Answer,
        __doc__=f"What became of {command.command}.",
        result=cast("Any", (command.answer | None, None)),
    )


def _ref(*path: str) -> dict[str, str]:
    return {"$ref": "#/" + "/".join(path)}


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or model.__name__).strip().splitlines()[0]


@cache
def _state_message(kind: Kind) -> type[BaseModel]:
    """Return the envelope of a state; one model, whichever roles the kind has."""
    state = STATES[kind]
    return create_model(
        f"{state.__name__}Message",
        __base__=StateEnvelope,
        __doc__=f"State of a {_words(kind)} in its envelope.",
        state=(state, ...),
    )


@cache
def _request_message(command: type[Command[Any]]) -> type[BaseModel]:
    """Return the envelope of a command; one model, whichever roles take it."""
    return create_model(
        f"{command.__name__}Request",
        __base__=Request,
        __doc__=_first_line(command),
        args=(command, ...),
    )


def _words(kind: Kind) -> str:
    return kind.value.replace("_", " ")


def _camel(name: str, *, first: bool = False) -> str:
    words = name.split("_")
    head = words[0].capitalize() if first else words[0]
    return head + "".join(word.capitalize() for word in words[1:])
