"""Reads a request for a device: which command it is, and whether its arguments make sense."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from midwatch.bus import CommandError, ErrorKind, JsonObject
from midwatch.devices.contract import Command, Connect, Disconnect, Kind, commands_of
from midwatch.devices.contract.kinds import Acknowledge

_MODELS = {kind: commands_of(kind) for kind in Kind}

# Complaints in one answer; the sender mends the first ones and asks again.
_MAX_COMPLAINTS = 3


def command_model(kind: Kind, name: str) -> type[Command[Any]]:
    """Return the command of this name for a kind of device.

    Raises:
        CommandError: unknown_command, with those that there are.
    """
    model = _MODELS[kind].get(name)
    if model is None:
        raise CommandError(
            ErrorKind.UNKNOWN_COMMAND,
            f"a {kind} does not take {name[:40]!r}; it takes {', '.join(_MODELS[kind])}",
        )
    return model


def read_command(model: type[Command[Any]], args: JsonObject) -> Command[Any]:
    """Return the command with its arguments.

    Raises:
        CommandError: bad_args, naming each field and what is allowed there.
    """
    try:
        return model.model_validate(args)
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=False)
        lines = [_complaint(model, item) for item in found[:_MAX_COMPLAINTS]]
        raise CommandError(ErrorKind.BAD_ARGS, "; ".join(lines)) from None


def needs_link(command: Command[Any]) -> bool:
    """Whether a command makes sense only while the driver talks to its hardware."""
    # What needs no lease stops, makes safe or only asks: it is tried in any case.
    return command.needs_lease and not isinstance(command, Connect | Disconnect | Acknowledge)


def _complaint(model: type[Command[Any]], item: ErrorDetails) -> str:
    field = ".".join(str(part)[:40] for part in item["loc"]) or model.command
    if item["type"] == "missing":
        return f"{field}: is missing"
    if item["type"] == "extra_forbidden":
        allowed = ", ".join(model.model_fields) or "none"
        return f"{field}: is no argument of {model.command}; its arguments: {allowed}"
    return f"{field}: {str(item['input'])[:60]!r} is not allowed: {item['msg']}"
