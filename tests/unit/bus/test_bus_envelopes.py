from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from midwatch.bus import (
    About,
    Answer,
    BrokerSettings,
    ErrorKind,
    EventEnvelope,
    Lease,
    MalformedError,
    Online,
    OversizedError,
    Request,
    StateEnvelope,
    TlsSettings,
    decode,
    encode,
)
from midwatch.bus.envelopes import MAX_JSON_BYTES, ErrorBody
from midwatch.errors import InputError

AT = datetime(2026, 11, 25, 22, 0, 0, 123456, tzinfo=UTC)
ERROR = ErrorBody(kind=ErrorKind.BUSY, message="exposing", retryable=True)
EXAMPLES = [
    Request(id="1", reply_to="r", deadline=AT, lease="l", sender="daemon", args={"a": [1, None]}),
    Answer(id="1", ok=True, result={"x": 1.5}),
    Answer(id="1", ok=False, error=ERROR),
    Online(online=True, since=AT, driver="simulated"),
    About(kind="camera", commands=("expose",), limits={"gain": [0, 100]}, units={"exposure": "s"}),
    StateEnvelope(seq=3, at=AT, state={"temperature_c": -10.0, "nested": {"a": True}}),
    EventEnvelope(seq=0, at=AT, facts={}),
    Lease(holder="daemon", seq=1, at=AT, ttl_s=30.0),
]


@pytest.mark.parametrize("model", EXAMPLES, ids=lambda model: type(model).__name__)
def test_messages_survive_the_journey(model: BaseModel) -> None:
    payload = encode(model)
    assert decode(type(model), payload) == model
    assert encode(decode(type(model), payload)) == payload
    assert isinstance(json.loads(payload), dict)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)
ALMOST = st.fixed_dictionaries(
    {},
    optional={key: JSON | st.just("2026-11-25T22:00:00Z") for key in Request.model_fields},
)


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=60) | JSON.map(lambda v: json.dumps(v).encode())
       | ALMOST.map(lambda v: json.dumps(v).encode()))  # fmt: skip
def test_whatever_arrives_is_a_message_or_malformed(payload: bytes) -> None:
    for model in (Request, Answer, StateEnvelope, Lease):
        try:
            read = decode(model, payload)
        except MalformedError as error:
            assert len(str(error)) <= 500
        else:
            assert decode(model, encode(read)) == read


@pytest.mark.parametrize(
    "payload",
    [
        b"[" * 200_000, b'{"a":' * 40_000, b"1" * 100_000, b'"\\ud800"', b"\xef\xbb\xbf{}",
        b'{"seq": 1, "at": "2026-11-25T22:00:00Z", "state": {"x": NaN}}',
        b'{"seq": 1, "at": "2026-11-25T22:00:00Z", "state": {"x": 1e999}}',
        b'{"seq": 1, "at": "9999-12-31T23:59:59-20:00", "state": {}}',
        b'{"seq": 1, "at": "2026-11-25T22:00:00", "state": {}}',
        b'{"seq": -1, "at": "2026-11-25T22:00:00Z", "state": {}}',
        b'{"seq": 1, "at": "2026-11-25T22:00:00Z", "state": {}, "more": 1}',
    ],
)  # fmt: skip
def test_traps_are_malformed(payload: bytes) -> None:
    with pytest.raises(MalformedError):
        decode(StateEnvelope, payload)


def test_size_is_limited_on_both_sides() -> None:
    small = StateEnvelope(seq=1, at=AT, state={"text": ""})
    room = MAX_JSON_BYTES - len(encode(small))
    full = StateEnvelope(seq=1, at=AT, state={"text": "x" * room})
    assert decode(StateEnvelope, encode(full)) == full
    with pytest.raises(OversizedError, match=str(MAX_JSON_BYTES)):
        encode(StateEnvelope(seq=1, at=AT, state={"text": "x" * (room + 1)}))
    with pytest.raises(OversizedError):
        decode(StateEnvelope, b" " * (MAX_JSON_BYTES + 1))


def test_times_of_other_zones_become_utc() -> None:
    payload = b'{"seq": 1, "at": "2026-11-26T03:00:00+05:00", "facts": {}}'
    assert encode(decode(EventEnvelope, payload)) == (
        b'{"seq":1,"at":"2026-11-25T22:00:00Z","facts":{}}'
    )


@pytest.mark.parametrize(
    "fields",
    [{"ok": True, "error": ERROR}, {"ok": False}, {"ok": False, "error": ERROR, "result": {}}],
)
def test_an_answer_has_one_outcome(fields: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Answer.model_validate({"id": "1", **fields})


def test_numbers_that_are_not_finite_cannot_be_sent() -> None:
    with pytest.raises(ValidationError, match="finite"):
        StateEnvelope(seq=1, at=AT, state={"rms_arcsec": float("nan")})


def test_broker_settings_refuse_what_cannot_be_meant(tmp_path: Path) -> None:
    for wrong in (
        {"port": 0},
        {"hots": "x"},
        {"password_file": "secret"},
        {"embedded": True, "username": "daemon"},
        {"embedded": True, "tls": {}},
        {"tls": {"cert_file": "only.pem"}},
    ):
        with pytest.raises(ValidationError):
            BrokerSettings.model_validate(wrong)
    assert TlsSettings().context().check_hostname


def test_passwords_are_the_first_line_of_their_file(tmp_path: Path) -> None:
    path = tmp_path / "password"
    path.write_text("correct horse\nignored\n", encoding="utf-8")
    assert BrokerSettings(username="daemon", password_file=path).password() == "correct horse"
    path.write_text("\n", encoding="utf-8")
    with pytest.raises(InputError, match="empty first line"):
        BrokerSettings(username="daemon", password_file=path).password()
    assert "horse" not in repr(BrokerSettings(username="daemon", password_file=path))
