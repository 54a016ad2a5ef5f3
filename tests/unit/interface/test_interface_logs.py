"""Logging: one stream, JSON off a terminal, levels by what was asked for."""

from __future__ import annotations

import io
import json
import logging
from datetime import UTC, datetime
from typing import Any

import pytest
import structlog

from midwatch.clock import VirtualClock
from midwatch.logs import set_up_logs
from support.interface_bench import logs_left_alone, midwatch

NOON = datetime(2027, 3, 10, 12, 0, tzinfo=UTC)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def lines_of(loudness: int, stream: io.StringIO) -> list[dict[str, Any]]:
    with logs_left_alone():
        set_up_logs(loudness, clock=VirtualClock(NOON), stream=stream)
        log = structlog.get_logger("midwatch.test")
        with structlog.contextvars.bound_contextvars(night="2027-03-10"):
            log.debug("frame_measured", stars=12)
            log.info("frame_filed", exposure_s=240.0)
            log.warning("limit_near", left_s=30)
        logging.getLogger("elsewhere").warning("from a library: %d", 7)
        log.error("camera_lost")
    return [json.loads(line) for line in stream.getvalue().splitlines()]


@pytest.mark.parametrize(
    ("loudness", "events"),
    [
        (-1, ["camera_lost"]),
        (0, ["limit_near", "from a library: 7", "camera_lost"]),
        (1, ["frame_filed", "limit_near", "from a library: 7", "camera_lost"]),
        (2, ["frame_measured", "frame_filed", "limit_near", "from a library: 7", "camera_lost"]),
    ],
)
def test_levels(loudness: int, events: list[str]) -> None:
    assert [line["event"] for line in lines_of(loudness, io.StringIO())] == events


def test_lines_carry_context_time_and_level() -> None:
    filed = lines_of(1, io.StringIO())[0]
    assert filed == {
        "event": "frame_filed",
        "exposure_s": 240.0,
        "night": "2027-03-10",
        "level": "info",
        "at": "2027-03-10T12:00:00.000Z",
    }


def test_an_exception_is_written_into_its_line() -> None:
    stream = io.StringIO()
    with logs_left_alone():
        set_up_logs(0, clock=VirtualClock(NOON), stream=stream)
        try:
            raise ValueError("odd")
        except ValueError:
            structlog.get_logger().exception("duty_crashed", duty="focus")
    (line,) = (json.loads(text) for text in stream.getvalue().splitlines())
    assert line["duty"] == "focus"
    assert "ValueError: odd" in line["exception"]


def test_a_terminal_gets_words_instead_of_json() -> None:
    stream = Terminal()
    with logs_left_alone():
        set_up_logs(0, clock=VirtualClock(NOON), stream=stream)
        structlog.get_logger().warning("limit_near", left_s=30)
    assert "limit_near" in stream.getvalue()
    assert "{" not in stream.getvalue()


def test_setting_up_again_does_not_double_the_lines() -> None:
    stream = io.StringIO()
    with logs_left_alone():
        set_up_logs(0, stream=stream)
        set_up_logs(0, stream=stream)
        structlog.get_logger().warning("once")
        logging.getLogger("library").warning("once as well")
    assert len(stream.getvalue().splitlines()) == 2


@pytest.mark.parametrize(("loudness", "heard"), [(1, 0), (2, 1)])
def test_the_clients_own_complaints_are_for_debugging(loudness: int, heard: int) -> None:
    stream = io.StringIO()
    with logs_left_alone():
        set_up_logs(loudness, stream=stream)
        logging.getLogger("mqtt").error("Unexpected message ID")
    assert len(stream.getvalue().splitlines()) == heard


@pytest.mark.parametrize(
    ("words", "loudness"),
    [
        (["status"], -1),  # of a short visit only the result matters
        (["status", "-v"], 1),
        (["device", "mount", "state"], -1),
        (["device", "mount"], 0),
        (["run", "o.yaml"], 0),
    ],
)
def test_short_visits_to_the_bus_are_calm(
    monkeypatch: pytest.MonkeyPatch, words: list[str], loudness: int
) -> None:
    seen: list[int] = []

    def stop(level: int) -> None:
        seen.append(level)
        raise KeyboardInterrupt

    monkeypatch.setattr("midwatch.logs.set_up_logs", stop)
    assert midwatch(*words).code == 130
    assert seen == [loudness]
