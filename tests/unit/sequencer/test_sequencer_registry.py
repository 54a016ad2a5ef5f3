"""Plugins that do not fit are named before the night: with package, and what to write instead."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from midwatch.devices.contract import DriverLoadError, Kind, driver_factory
from midwatch.orders.models.remedies_section import REMEDIES
from midwatch.sequencer.decision import (
    CORE_DUTIES,
    EndNightArgs,
    EngineWord,
    FocusArgs,
    RestTargetArgs,
    WaitArgs,
    args_needed,
)
from midwatch.sequencer.duties import PluginError, load_registry
from support.interface_bench import ORDERS, RIG, midwatch, write_night
from support.plugin_bench import Packages, packages

HEAD = """\
from midwatch.api.duty import DutyArgs, NoArgs, SlewArgs
from midwatch.api.lookout import Reading
from midwatch.api.grader import Verdict
"""
LOOKOUT = (
    HEAD
    + """
class Thing:
    name, unit, trip, clear, missing = "thing", "m", 2.0, 1.0, "unknown"
    def read(self, view): return Reading(0.0, "")
"""
)
GRADER = (
    HEAD
    + """
class Thing:
    name = "thing"
    def grade(self, light, others, bounds): return Verdict("accepted")
"""
)
NOTIFIER = """
class Thing:
    name = "thing"
    async def notify(self, title, message, urgent): pass
"""
DUTY = (
    HEAD
    + """
class Thing:
    name, cause, takes = "thing", "standing_order", NoArgs
    async def perform(self, context, args: NoArgs): pass
"""
)
DRIVER = """
from midwatch.api.driver import DeviceAbout, Kind, SwitchState
class Thing:
    kind = Kind.SWITCH
    def __init__(self, context): pass
    def about(self): return DeviceAbout(kind=self.kind, driver="thing")
    def state(self): return SwitchState()
    async def perform(self, command): pass
    async def make_safe(self, reason): pass
    async def close(self): pass
"""


@pytest.fixture
def installed(tmp_path: Path) -> Iterator[Packages]:
    folder = tmp_path / "packages"
    folder.mkdir()
    with packages(folder) as found:
        yield found


def problem() -> str:
    with pytest.raises(PluginError) as caught:
        load_registry()
    (only,) = caught.value.problems
    assert caught.value.exit_code == 2
    return only


def test_everything_that_is_shipped_fits() -> None:
    registry = load_registry()
    assert set(CORE_DUTIES) == set(registry.duties)
    assert {name: duty.takes for name, duty in registry.duties.items()} == dict(CORE_DUTIES)


def test_every_remedy_of_the_ladders_is_a_duty_of_the_core_or_a_word_of_the_engine() -> None:
    words = {word.duty for word in EngineWord.__subclasses__()}
    assert {WaitArgs.duty, RestTargetArgs.duty, EndNightArgs.duty} <= words
    assert set(REMEDIES) - {"retry"} <= set(CORE_DUTIES) | words


@pytest.mark.parametrize("name", sorted(CORE_DUTIES))
def test_a_duty_of_the_core_that_is_missing_is_named_with_the_model_that_it_takes(
    installed: Packages, name: str
) -> None:
    installed.shipped_without("midwatch.duties", name)
    said = problem()
    assert f"duties: {name!r} is not installed, and no night goes without it" in said
    assert f"= {CORE_DUTIES[name].__name__}" in said


@pytest.mark.parametrize("takes", ["NoArgs", "type('SlewArgs', (SlewArgs,), {})"])
def test_a_duty_of_the_core_must_take_the_model_of_the_core(
    installed: Packages, takes: str
) -> None:
    installed.shipped_without("midwatch.duties", "slew")
    module = DUTY.replace('"thing"', '"slew"').replace(", NoArgs\n", f", {takes}\n")
    installed_as(installed, "midwatch.duties", module.replace("args: NoArgs", "args"), "slew")
    said = problem()
    assert "duties: 'slew' of package acme (acme_code:Thing)" in said
    assert "write takes: ClassVar[type[DutyArgs]] = SlewArgs" in said


def installed_as(found: Packages, group: str, module: str, name: str = "thing") -> None:
    found.install("acme", group, f"{name} = acme_code:Thing", module)


FITTING = [
    ("midwatch.duties", DUTY),
    ("midwatch.duties", DUTY.replace("context, args: NoArgs", "context, args, *, more=1")),
    ("midwatch.duties", DUTY.replace("context, args: NoArgs", "*args, **more")),
    ("midwatch.duties", DUTY.replace("args: NoArgs", "args: DutyArgs")),
    ("midwatch.lookouts", LOOKOUT),
    ("midwatch.graders", GRADER),
    ("midwatch.notifiers", NOTIFIER),
]


@pytest.mark.parametrize(("group", "module"), FITTING)
def test_what_fits_is_taken(installed: Packages, group: str, module: str) -> None:
    installed_as(installed, group, module)
    registry = load_registry()
    assert "thing" in getattr(registry, group.removeprefix("midwatch."))


BROKEN = [
    # The module, and what is said of it.
    ("duties", DUTY, "async def", "def", "write async def perform(self, context, args)"),
    ("duties", DUTY, "context, args", "args, context", "takes (args, context): write async def"),
    ("duties", DUTY, "context, args: NoArgs", "context", "takes (context): write async def"),
    ("duties", DUTY, "args: NoArgs", "args, more", "takes (context, args, more): write"),
    ("duties", DUTY, "perform", "run", "it lacks perform: write async def perform"),
    ("duties", DUTY, '"standing_order"', '"tea"', "its cause is 'tea': write cause"),
    ("duties", DUTY, ", NoArgs\n", ", dict\n", "its takes is <class 'dict'>: write takes"),
    ("duties", DUTY, "args: NoArgs", "args: SlewArgs", "perform wants SlewArgs and it takes NoArg"),
    ("duties", DUTY, '"standing_order", NoArgs', '"fault", SlewArgs', "which is for 'slew' only"),
    ("duties", DUTY, '"thing"', '"think"', "it calls itself 'think'"),
    ("duties", DUTY, "class Thing", "class Think", "it cannot be loaded: AttributeError"),
    (
        "duties",
        DUTY,
        "    async",
        "    def __init__(self, x): pass\n    async",
        "a class without arguments",
    ),
    ("lookouts", LOOKOUT, "unit, trip", "util, trip", "it lacks unit: write unit: ClassVar[str]"),
    ("lookouts", LOOKOUT, "2.0", '"2"', "its trip is '2': write trip: ClassVar[float]"),
    ("lookouts", LOOKOUT, "2.0", "True", "its trip is True: write trip"),
    ("lookouts", LOOKOUT, '"unknown"', '"maybe"', "its missing is 'maybe': write missing"),
    ("lookouts", LOOKOUT, "def read", "async def read", "read is a coroutine: write def read(s"),
    ("graders", GRADER, "others, bounds", "bounds", "takes (light, bounds): write def grade(self"),
    ("graders", GRADER, "def grade(self, light", "grade = 5\n    def x(self, light", "grade is 5"),
    ("notifiers", NOTIFIER, "async def", "def", "is no coroutine: write async def notify(self"),
]


@pytest.mark.parametrize(("kind", "module", "right", "wrong", "words"), BROKEN)
def test_what_does_not_fit_is_named_with_its_package_and_what_to_write(
    installed: Packages, kind: str, module: str, right: str, wrong: str, words: str
) -> None:
    assert right in module
    installed_as(installed, f"midwatch.{kind}", module.replace(right, wrong))
    said = problem()
    assert said.startswith(f"{kind}: 'thing' of package acme (acme_code:Thing)")
    assert words in said


def test_a_word_of_the_engine_is_no_name_for_a_duty(installed: Packages) -> None:
    module = DUTY.replace('"thing"', '"rest_target"')
    installed_as(installed, "midwatch.duties", module, "rest_target")
    assert "'rest_target' is a word of Midwatch itself" in problem()


def test_a_name_that_two_packages_offer_is_shown_with_the_second(installed: Packages) -> None:
    installed_as(installed, "midwatch.lookouts", LOOKOUT.replace('"thing"', '"wind"'), "wind")
    assert "lookouts: 'wind' of package" in problem()


def test_every_problem_is_reported_at_once_before_anything_begins(
    installed: Packages, tmp_path: Path
) -> None:
    installed.shipped_without("midwatch.duties", "flip")
    installed_as(installed, "midwatch.lookouts", LOOKOUT.replace("unit", "util"))
    installed.install(
        "bolt", "midwatch.graders", "strict = bolt_code:Thing",
        GRADER.replace('"thing"', '"strict"').replace("others, ", ""),
    )  # fmt: skip
    orders = write_night(tmp_path)
    seen = midwatch("check", orders, "--json")
    assert seen.code == 2
    wrong = [f["text"] for f in seen.json["findings"] if f["level"] == "wrong"]
    shown = midwatch("check", orders)
    assert shown.code == 2
    assert len(wrong) == 3
    for text, words in zip(
        sorted(wrong),
        (
            ["duties: 'flip' is not installed", "FlipArgs"],
            ["graders: 'strict' of package bolt (bolt_code:Thing)", "write def grade(self, light"],
            ["lookouts: 'thing' of package acme (acme_code:Thing)", "write unit: ClassVar[str]"],
        ),
        strict=True,
    ):
        assert all(word in text for word in words)
    for command in ("rehearse", "run", "drill"):
        out = tmp_path / command
        said = midwatch(command, orders, "--out", out)
        assert (said.code, out.exists()) == (2, False)
        assert all(text in said.err for text in wrong)


# Standing orders ----------------------------------------------------------------------------------

ASKING = DUTY.replace("class Thing", "class Asked(DutyArgs):\n    outlet: str\n\nclass Thing")
ASKING = ASKING.replace("NoArgs\n    async", "Asked\n    async").replace("args: NoArgs", "args")


def standing(do: str) -> str:
    return ORDERS + f"standing_orders:\n  - {{when: wind, do: {do}}}\n"


@pytest.mark.parametrize("command", ["check", "rehearse", "run"])
def test_a_standing_order_cannot_do_what_wants_to_be_reported_more(
    installed: Packages, tmp_path: Path, command: str
) -> None:
    installed_as(installed, "midwatch.duties", ASKING)
    orders = write_night(tmp_path, orders=standing("thing"))
    said = midwatch(command, orders, "--out", tmp_path / "out")
    assert said.code == 2
    seen = " ".join((said.out + said.err).split())
    assert "a standing order cannot do thing: that needs outlet" in seen


def test_a_duty_with_defaults_of_its_own_may_be_ordered(
    installed: Packages, tmp_path: Path
) -> None:
    installed_as(installed, "midwatch.duties", ASKING.replace("outlet: str", 'outlet: str = "a"'))
    assert midwatch("check", write_night(tmp_path, orders=standing("thing"))).code == 0


def test_a_standing_order_for_a_slew_is_refused_where_it_is_written(tmp_path: Path) -> None:
    said = midwatch("check", write_night(tmp_path, orders=standing("slew")))
    assert said.code == 2
    assert "orders.yaml:9" in said.err
    assert "slew needs target" in said.err


def test_what_a_standing_order_does_not_say_is_found_out_from_the_model() -> None:
    needs = {name: args_needed(model) for name, model in CORE_DUTIES.items()}
    asked = {name for name, needed in needs.items() if needed}
    # These are about a target, a device or a set of frames; the others may be ordered.
    assert asked == {
        "slew", "centre", "flip", "expose", "calibrate",
        "reconnect", "restart_driver", "power_cycle",
    }  # fmt: skip
    assert needs["power_cycle"] == ("device", "outlet")
    assert FocusArgs.for_standing_order("wind") == FocusArgs(trigger="wind")


# Drivers ------------------------------------------------------------------------------------------

BROKEN_DRIVERS = [
    ("def perform", "def perfom", "it lacks perform: write async def perform(self, command)"),
    ("async def perform", "def perform", "its perform is no coroutine"),
    ("def state(self)", "async def state(self)", "its state is a coroutine: write def state(self)"),
    ("make_safe(self, reason)", "make_safe(self)", "takes (): write async def make_safe(self, r"),
    ("Kind.SWITCH", '"switch"', "its kind is 'switch': write kind = Kind"),
]


@pytest.mark.parametrize("factory", ["Thing", "make"])
@pytest.mark.parametrize(("right", "wrong", "words"), BROKEN_DRIVERS)
def test_a_driver_that_is_none_is_named_before_the_night(
    installed: Packages, right: str, wrong: str, words: str, factory: str
) -> None:
    assert right in DRIVER
    installed.install(
        "acme", "midwatch.drivers", f"thing = acme_code:{factory}",
        DRIVER.replace(right, wrong) + "def make(context) -> Thing: return Thing(context)\n",
    )  # fmt: skip
    with pytest.raises(DriverLoadError, match="makes no driver") as caught:
        driver_factory("thing")
    assert f"driver 'thing' of package acme (acme_code:{factory})" in str(caught.value)
    assert words in str(caught.value)


def test_a_factory_that_waits_is_none(installed: Packages) -> None:
    module = "async def make(context): pass\n"
    installed.install("acme", "midwatch.drivers", "thing = acme_code:make", module)
    with pytest.raises(DriverLoadError, match="write def instead of async def"):
        driver_factory("thing")


def with_switch(folder: Path, driver: str) -> Path:
    rig = RIG.replace("  focuser:", f"  switch: {{driver: {driver}}}\n  focuser:")
    return write_night(folder, rig=rig)


def test_no_run_begins_with_a_driver_that_is_none(installed: Packages, tmp_path: Path) -> None:
    module = DRIVER.replace("async def perform", "def perform")
    installed.install("acme", "midwatch.drivers", "thing = acme_code:Thing", module)
    orders = with_switch(tmp_path, "thing")
    for command in ("check", "run"):
        said = midwatch(command, orders, "--out", tmp_path / "out")
        assert said.code == 2
        seen = " ".join((said.out + said.err).split())
        assert "driver 'thing' of package acme (acme_code:Thing) makes no driver" in seen


def test_a_driver_that_fits_or_does_not_say_is_taken(installed: Packages) -> None:
    module = DRIVER + "def make(context): return Thing(context)\n"
    installed.install("acme", "midwatch.drivers", "thing = acme_code:Thing", module)
    installed.install("bolt", "midwatch.drivers", "other = bolt_code:make", module)
    for name in ("thing", "other"):
        assert driver_factory(name)(None).kind is Kind.SWITCH  # type: ignore[arg-type]
