"""What travels on the bus: JSON objects of a few fixed shapes.

Unknown fields are refused, so that a misspelt one is noticed at once. The same model gives the
same bytes: fields in the order of the model, mappings in the order in which they were filled.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Self, TypeVar, cast

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    JsonValue,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic_core import from_json

from midwatch.errors import MidwatchError

# A state or an answer has some kilobytes; frames travel by reference. The limit bounds what a
# participant spends on a message that should not have been sent.
MAX_JSON_BYTES = 256 * 1024
# Messages that are remembered: within one process several participants read the same one in turn.
_LATEST = 8
CONTRACT_VERSION = 1
# Context of a validation of what was just read as JSON, and so holds nothing else.
_PARSED = object()

Model = TypeVar("Model", bound=BaseModel)


class MalformedError(MidwatchError):
    """A message is not what its topic promises; its reader counts it and goes on."""


class OversizedError(MalformedError):
    """A JSON message is longer than `MAX_JSON_BYTES`."""


def _to_utc(when: datetime) -> datetime:
    if when.tzinfo is UTC:
        return when
    try:
        return when.astimezone(UTC)
    except OverflowError:
        raise ValueError("the time is outside the calendar in UTC") from None


def _unless_parsed(
    value: object, check: ValidatorFunctionWrapHandler, info: ValidationInfo
) -> object:
    known = info.context is _PARSED and isinstance(value, dict) and _is_finite(value)
    return value if known else check(value)


def _is_finite(value: object) -> bool:
    """Return whether JSON that was read holds no number too large for a float."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(_is_finite, value.values()))
    return not isinstance(value, list) or all(map(_is_finite, value))


UtcDatetime = Annotated[AwareDatetime, AfterValidator(_to_utc)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
JsonObject = Annotated[dict[str, JsonValue], WrapValidator(_unless_parsed)]


class Envelope(BaseModel):
    """Common rules of every message."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class ErrorKind(StrEnum):
    """Why a command was not done."""

    MALFORMED = "malformed"
    UNKNOWN_COMMAND = "unknown_command"
    BAD_ARGS = "bad_args"
    EXPIRED = "expired"
    NO_LEASE = "no_lease"
    LIMIT = "limit"
    BUSY = "busy"
    NOT_CONNECTED = "not_connected"
    DEVICE_FAULT = "device_fault"
    CANCELLED = "cancelled"
    INTERNAL = "internal"


class ErrorBody(Envelope):
    """A refusal or failure; `retryable` means that the same command may succeed later."""

    kind: ErrorKind
    message: str
    retryable: bool


class Request(Envelope):
    """A command to a device. `id` makes it idempotent; past `deadline` it is not begun."""

    id: Name
    reply_to: Name
    deadline: UtcDatetime
    lease: str | None = None
    sender: Name
    args: JsonObject = Field(default_factory=dict)


class Answer(Envelope):
    """What became of a command: a result, or an error.

    `state_seq` is the number of the state that holds after it. State and answer travel apart: who
    wants to judge the outcome by the state waits for one with this number, or a higher one.
    """

    id: Name
    ok: bool
    result: JsonObject | None = None
    error: ErrorBody | None = None
    state_seq: int | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _one_outcome(self) -> Self:
        if self.ok == (self.error is not None):
            raise ValueError("an answer is ok, or it has an error")
        if not self.ok and self.result is not None:
            raise ValueError("a failed command has no result")
        return self


class Online(Envelope):
    """Whether a device takes part, and since when."""

    online: bool
    since: UtcDatetime
    driver: str
    contract: int = CONTRACT_VERSION


class About(Envelope):
    """What a device is: its kind, what it can, its limits, and the units of its fields."""

    kind: Name
    driver: str = ""
    description: str = ""
    contract: int = CONTRACT_VERSION
    commands: tuple[str, ...] = ()
    capabilities: JsonObject = Field(default_factory=dict)
    limits: JsonObject = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    # What the device's host reports of its traffic; published again when it changes.
    account: JsonObject = Field(default_factory=dict)


class StateEnvelope(Envelope):
    """The whole state of a device or of the night, numbered and dated."""

    seq: int = Field(ge=0)
    at: UtcDatetime
    state: JsonObject


class EventEnvelope(Envelope):
    """Something that happened, numbered and dated."""

    seq: int = Field(ge=0)
    at: UtcDatetime
    facts: JsonObject


class Lease(Envelope):
    """The right to command: it ends `ttl_s` seconds after it was last received, 0 ends it now."""

    holder: Name
    seq: int = Field(ge=0)
    at: UtcDatetime
    ttl_s: float = Field(ge=0.0)


def encode(model: BaseModel) -> bytes:
    """`model` as JSON in UTF-8.

    Raises:
        OversizedError: longer than `MAX_JSON_BYTES`.
    """
    payload = model.model_dump_json().encode()
    if len(payload) > MAX_JSON_BYTES:
        raise OversizedError(
            f"{type(model).__name__} of {len(payload)} bytes; at most {MAX_JSON_BYTES} may travel"
        )
    return payload


def decode(model: type[Model], payload: bytes) -> Model:
    """Read a message, whatever was sent; who reads the same one may get the same model.

    Raises:
        OversizedError: longer than `MAX_JSON_BYTES`; it is not looked at.
        MalformedError: not JSON, or not of this shape. Nothing else is ever raised.
    """
    if len(payload) > MAX_JSON_BYTES:
        raise OversizedError(f"{len(payload)} bytes; at most {MAX_JSON_BYTES} may travel")
    try:
        return cast("Model", _read(model, payload))
    except ValidationError as error:
        raise MalformedError(explain(error)) from None
    except (ValueError, ArithmeticError, RecursionError) as error:
        raise MalformedError(f"not a {model.__name__}: {error}"[:500]) from None


@lru_cache(maxsize=_LATEST)
def _read(model: type[BaseModel], payload: bytes) -> BaseModel:
    # In two steps, since a number that is not finite would slip through in one.
    return model.model_validate(from_json(payload, allow_inf_nan=False), context=_PARSED)


def explain(error: ValidationError) -> str:
    """The first few complaints in one bounded line, without echoing what was sent."""
    found = error.errors(include_url=False, include_input=False, include_context=False)
    lines = [
        f"{'.'.join(str(part)[:40] for part in item['loc'][:6]) or error.title}: {item['msg']}"
        for item in found[:3]
    ]
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return ("; ".join(lines) + more)[:500]
