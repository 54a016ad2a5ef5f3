"""The examples on the project's pages are true: they load, parse and run."""

import re
import shlex
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midwatch.api.driver import Connect, DeviceError, DriverContext, Move, SetOutlet
from midwatch.clock import VirtualClock
from midwatch.devices.client import MemorySpool
from midwatch.interface.cli.arguments import build_parser
from midwatch.orders.reading import load_night
from midwatch.sky import Place
from midwatch.virtual_time import run_virtual

ROOT = Path(__file__).parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", page, flags=re.DOTALL)


def example(of: str) -> Any:
    """Run the example that defines a class, and return the class or function of that name."""
    source = next(block for block in blocks(DEVELOPERS, "python") if f" {of}" in block)
    names: dict[str, Any] = {}
    exec(compile(source, f"DEVELOPERS.md: {of}", "exec"), names)
    return names[of]


def test_the_three_files_of_the_readme_make_a_night(tmp_path: Path) -> None:
    for text in blocks(README, "yaml"):
        name = re.match(r"# (\S+\.yaml)\n", text)
        if name is not None:
            (tmp_path / name[1]).write_text(text, encoding="utf-8")
    night = load_night(tmp_path / "my-orders.yaml")
    assert night.site.name == "Back Garden"
    assert [target.name for target in night.targets] == ["M 31"]
    assert [order.do for order in night.orders.standing_orders] == ["focus", "wait"]


def test_the_broker_section_of_the_readme_is_one(tmp_path: Path) -> None:
    section = next(text for text in blocks(README, "yaml") if text.startswith("bus:"))
    rig = (ROOT / "configs/rigs/wren.yaml").read_text(encoding="utf-8")
    (tmp_path / "rig.yaml").write_text(rig + "\n" + section, encoding="utf-8")
    site = ROOT / "configs/sites/larch-hollow.yaml"
    orders = f"site: {site}\nrig: rig.yaml\n" + (
        "targets: [{name: M 31, frames: [{exposure_s: 60, count: 1}]}]\n"
    )
    (tmp_path / "orders.yaml").write_text(orders, encoding="utf-8")
    assert load_night(tmp_path / "orders.yaml").rig.bus.port == 8883


COMMANDS = sorted(
    {
        command
        for page in (README, DEVELOPERS)
        for command in re.findall(r"(?<![/-])\bmidwatch ([a-z]+ ?[^`|&\n]*)`", page)
    }
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_on_the_pages_can_be_typed(command: str) -> None:
    words = [word for word in shlex.split(command) if word != "..."]
    if not any("yaml" in word for word in words) and words[0] in ("check", "run"):
        words.insert(1, "orders.yaml")  # named in passing
    if words == ["why"]:
        words.append("01:30")
    assert build_parser().parse_args(words).command == words[0]


def test_the_commands_on_the_pages_were_found() -> None:
    assert len(COMMANDS) > 15


def test_the_example_driver_switches_its_relay(tmp_path: Path) -> None:
    relay = tmp_path / "relay0"

    async def main() -> list[str]:
        seen: list[str] = []
        context = DriverContext(
            name="switch",
            clock=VirtualClock(datetime(2027, 3, 10, 18, tzinfo=UTC)),
            options={"file": str(relay)},
            place=Place(46.0, 13.0, 300.0),
            rng=np.random.default_rng(1),
            spool=MemorySpool("switch"),
            emit=lambda event, facts: None,
            watch=lambda device, event, call: None,
            changed=lambda: seen.append(relay.read_text()),
            spawn=lambda name, coroutine: coroutine.close(),
        )
        driver = example("make")(context)
        with pytest.raises(DeviceError, match="check the cable"):
            await driver.perform(Connect())
        relay.write_text("0")
        await driver.perform(Connect())
        await driver.perform(SetOutlet(outlet="lamp", on=True))
        assert driver.state().outlets == {"lamp": True}
        with pytest.raises(DeviceError, match="cannot do move"):
            await driver.perform(Move(position=3))
        await driver.make_safe("nobody is in command")
        assert driver.state().at_rest
        return seen

    assert run_virtual(main) == ["0", "1", "0"]


def test_links_between_the_pages_lead_somewhere() -> None:
    links = re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []
