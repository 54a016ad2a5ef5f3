"""What is typed wrongly is answered with what to write instead."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime

import pytest

from midwatch.interface.cli.arguments import build_parser
from support.interface_bench import midwatch

COMMANDS = (
    "check", "plan", "rehearse", "run", "status", "pause", "resume", "skip", "close", "why",
    "report", "measure", "device", "schema",
)  # fmt: skip


def test_help_names_every_command_and_every_exit_code() -> None:
    said = midwatch("--help")
    assert said.code == 0
    for command in COMMANDS:
        assert f"\n    {command} " in said.out
    for code in "0123":
        assert f"\n  {code}  " in said.out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str) -> None:
    said = midwatch(command, "--help")
    assert said.code == 0
    assert said.out.startswith(f"usage: midwatch {command}")
    assert "exit codes:" in said.out


def test_help_needs_no_heavy_library() -> None:
    # A person who asks for help should not wait for astronomy to load.
    program = (
        "import sys\n"
        "from midwatch.interface.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'pydantic', 'astropy', 'structlog', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ([], "required: COMMAND"),
        (["observe"], "invalid choice: 'observe'"),
        (["rehearse"], "required: ORDERS"),
        (["why", "25:00"], "'25:00' is no time of day; write it as 23:40"),
        (["why", "0:60"], "is no time of day"),
        (["plan", "x.yaml", "--evening", "10.3.2027"], "is no date; write it as 2027-03-10"),
        (["rehearse", "x.yaml", "--seed", "-1"], "is no whole number from 0"),
        (["rehearse", "x.yaml", "--sky", "real"], "invalid choice: 'real'"),
        (["run", "x.yaml", "--speed", "0"], "is no number above zero"),
        (["run", "x.yaml", "--speed", "nan"], "is no number above zero"),
        (["run", "x.yaml", "--start", "2027-03-10T16:00"], "is no instant with a zone"),
        (["device", "mount", "--port", "70000"], "is not within 1 to 65535"),
        (["schema", "weather"], "there are orders, site, rig"),
        (["plan", "x.yaml", "-q", "-v"], "not allowed with argument"),
    ],
)
def test_wrong_words_are_refused_with_a_remedy(words: list[str], expected: str) -> None:
    said = midwatch(*words)
    assert said.code == 2
    assert expected in said.err
    assert said.out == ""


def test_values_are_read_as_they_are_meant() -> None:
    parse = build_parser().parse_args
    args = parse(["run", "o.yaml", "--start", "2027-03-10T18:00+02:00", "--speed", "60"])
    assert args.start == datetime(2027, 3, 10, 16, 0, tzinfo=UTC)
    assert args.speed == 60.0
    assert parse(["plan", "o.yaml", "--evening", "2027-03-10"]).evening == date(2027, 3, 10)
    assert parse(["why", "7:05"]).time == (7, 5, 0)
    assert parse(["why", "23:59:30"]).time == (23, 59, 30)


@pytest.mark.parametrize(
    ("words", "loudness"),
    [
        (["plan", "o.yaml"], 0),
        (["-v", "plan", "o.yaml"], 1),
        (["plan", "o.yaml", "-vv"], 2),
        (["-q", "plan", "o.yaml"], -1),
        (["plan", "-q", "o.yaml"], -1),
    ],
)
def test_loudness_is_taken_before_and_after_the_command(words: list[str], loudness: int) -> None:
    assert build_parser().parse_args(words).loudness == loudness


def test_a_device_command_keeps_its_words_in_order() -> None:
    args = build_parser().parse_args(
        ["device", "camera", "do", "cool", "setpoint_c=-10", "rate_c_per_min=2", "--orders", "o"]
    )
    assert args.action == ["do", "cool", "setpoint_c=-10", "rate_c_per_min=2"]
