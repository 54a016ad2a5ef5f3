"""Each fault of simulated focusers, filter wheels, roofs and weather sensors."""

from __future__ import annotations

from typing import Any

import pytest

from midwatch.bus import CommandError
from midwatch.devices.contract import MakeSafe
from midwatch.devices.contract.kinds import CloseRoof, Move, OpenRoof, SelectFilter, Unpark
from midwatch_simulators.instruments.simulated_filter_wheel import SimulatedFilterWheel
from midwatch_simulators.instruments.simulated_focuser import SimulatedFocuser
from midwatch_simulators.instruments.simulated_roof import SimulatedRoof
from midwatch_simulators.instruments.simulated_weather import SimulatedWeather
from support.fault_bench import FROM_S, UNTIL_S, FaultRig, with_faults

STORIES: dict[str, tuple[str, Any]] = {}
OPTIONS = {"focuser": {"start_position": 10_000, "backlash_steps": 0}}


def tells(role: str, name: str) -> Any:
    def note(story: Any) -> Any:
        STORIES[name] = (role, story)
        return story

    return note


async def failed(rig: FaultRig, role: str, command: Any) -> CommandError:
    with pytest.raises(CommandError) as error:
        await rig.do(role, command)
    return error.value


# The focuser ---------------------------------------------------------------------------------


async def moved(rig: FaultRig, position: int) -> tuple[int, float]:
    """Move there; return how far it says that it went, and how far the tube went."""
    said, tube = rig.state("focuser").position, rig.truth("focuser").tube
    await rig.do("focuser", Move(position=position))
    return rig.state("focuser").position - said, rig.truth("focuser").tube - tube


async def focuser_fault(rig: FaultRig, said: int, went: float) -> None:
    assert await moved(rig, 10_100) == (100, 100.0)
    await rig.at(FROM_S + 1.0)
    assert await moved(rig, 10_300) == (said, went)
    assert rig.state("focuser").fault is None
    await rig.at(UNTIL_S)
    assert await moved(rig, 10_700) == (600 - said, 600.0 - said)


@tells("focuser", "focuser-stuck")
async def focuser_stuck(rig: FaultRig) -> None:
    await focuser_fault(rig, 200, 0.0)


@tells("focuser", "focuser-reversed")
async def focuser_reversed(rig: FaultRig) -> None:
    await focuser_fault(rig, 200, -200.0)


@tells("focuser", "focuser-at-end")
async def focuser_at_end(rig: FaultRig) -> None:
    await focuser_fault(rig, 40, 40.0)


@tells("focuser", "focuser-slips")
async def focuser_slips(rig: FaultRig) -> None:
    before = rig.state("focuser").position, rig.truth("focuser").tube
    await rig.at(FROM_S + 1.0)
    assert rig.state("focuser").position == before[0]
    assert before[1] - rig.truth("focuser").tube == 150.0
    assert await moved(rig, 10_300) == (300, 300.0)


# The filter wheel ----------------------------------------------------------------------------


@tells("filter_wheel", "filter-wheel-jams")
async def wheel_jams(rig: FaultRig) -> None:
    await rig.do("filter_wheel", SelectFilter(name="R"))
    await rig.at(FROM_S + 1.0)
    error = await failed(rig, "filter_wheel", SelectFilter(name="Ha"))
    assert error.retryable and "does not turn" in str(error)
    assert rig.state("filter_wheel").selected == rig.truth("filter_wheel").name == "R"
    await rig.at(UNTIL_S)
    await rig.do("filter_wheel", SelectFilter(name="Ha"))
    assert rig.state("filter_wheel").selected == rig.truth("filter_wheel").name == "Ha"


# The roof ------------------------------------------------------------------------------------


@tells("roof", "roof-stays-shut")
async def roof_stays_shut(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    assert (await failed(rig, "roof", OpenRoof())).retryable
    assert rig.truth("roof").open_fraction == 0.0 and rig.state("roof").position == "closed"
    await rig.at(UNTIL_S)
    await rig.do("roof", OpenRoof())
    assert rig.truth("roof").open_fraction == 1.0 and rig.state("roof").position == "open"


@tells("roof", "roof-stops-halfway")
async def roof_stops_halfway(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    assert (await failed(rig, "roof", OpenRoof())).retryable
    assert rig.truth("roof").open_fraction == 0.5 and rig.state("roof").position == "between"
    # Trying again brings it half of the rest, and no end.
    await failed(rig, "roof", CloseRoof())
    assert rig.truth("roof").open_fraction == 0.25 and not rig.state("roof").at_rest
    await rig.at(UNTIL_S)
    await rig.do("roof", CloseRoof())
    assert rig.truth("roof").open_fraction == 0.0 and rig.state("roof").position == "closed"


@tells("roof", "roof-sensor-lies")
async def roof_sensor_lies(rig: FaultRig) -> None:
    await rig.do("roof", OpenRoof())
    await rig.at(FROM_S + 1.0)
    assert rig.truth("roof").open_fraction == 1.0 and rig.state("roof").position == "closed"
    await rig.do("roof", CloseRoof())
    assert rig.truth("roof").open_fraction == 0.0 and rig.state("roof").position == "open"
    await rig.at(UNTIL_S + 1.0)
    assert rig.state("roof").position == "closed"


# The weather ---------------------------------------------------------------------------------


async def readings(rig: FaultRig, until_s: float) -> list[Any]:
    """The readings of each minute until then."""
    found = []
    left = int((until_s - rig.clock.mono()) // 60.0)
    for _ in range(left):
        await rig.clock.sleep(60.0)
        found.append(rig.state("weather"))
    return found


async def weather_fault(rig: FaultRig, reads: Any, low: float, high: float, calm_s: float) -> Any:
    """Check that something read is low before, rises high within, and is low again after."""
    before = await readings(rig, FROM_S - 60.0)
    await rig.at(FROM_S + 1.0)
    within = await readings(rig, UNTIL_S - 60.0)
    await rig.at(UNTIL_S + calm_s)
    after = await readings(rig, UNTIL_S + calm_s + 181.0)
    assert before and after
    assert max(map(reads, before + after)) <= low
    assert max(map(reads, within)) >= high
    return list(map(reads, within))


@tells("weather", "cloud-bands")
async def cloud_bands(rig: FaultRig) -> None:
    await weather_fault(rig, lambda state: state.cloud_percent, 8.0, 80.0, 300.0)


@tells("weather", "rain")
async def rain(rig: FaultRig) -> None:
    within = await weather_fault(rig, lambda state: float(state.rain), 0.0, 1.0, 61.0)
    assert all(within[1:])


@tells("weather", "gust")
async def gust(rig: FaultRig) -> None:
    # Observatories close at some 12 m/s of gust: common practice, no source.
    await weather_fault(rig, lambda state: state.gust_ms, 10.0, 15.0, 180.0)


@tells("weather", "dew")
async def dew(rig: FaultRig) -> None:
    await weather_fault(rig, lambda state: state.humidity_percent, 80.0, 97.0, 1200.0)


@tells("weather", "weather-silent")
async def weather_silent(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    last = rig.state("weather").read_at
    await rig.at(UNTIL_S - 1.0)
    assert rig.state("weather").connected and rig.state("weather").read_at == last
    assert (rig.clock.now() - last).total_seconds() > 590.0
    await rig.at(UNTIL_S + 61.0)
    assert (rig.clock.now() - rig.state("weather").read_at).total_seconds() < 61.0


@tells("weather", "weather-stuck")
async def weather_stuck(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    first = rig.state("weather")
    within = await readings(rig, UNTIL_S - 1.0)
    assert len({state.read_at for state in within}) == len(within)
    same = {state.model_copy(update={"read_at": first.read_at}) for state in within}
    assert same == {first}
    # It goes on to say so when it rains on it.
    assert rig.truth("weather").raining(rig.clock.unix_s()) and not first.rain
    await rig.at(UNTIL_S + 61.0)
    assert rig.state("weather").rain


@pytest.mark.parametrize("name", STORIES)
def test_a_device_shows(name: str) -> None:
    role, story = STORIES[name]
    until_s = FROM_S if name == "focuser-slips" else UNTIL_S
    spans = [(role, (name, FROM_S, until_s))]
    if name == "weather-stuck":
        spans.append((role, ("rain", FROM_S + 200.0, UNTIL_S + 200.0)))
    with_faults(story, {role: OPTIONS.get(role, {})}, *spans)


def test_each_fault_is_reported_of_here() -> None:
    classes = (SimulatedFocuser, SimulatedFilterWheel, SimulatedRoof, SimulatedWeather)
    assert set(STORIES) == {name for device in classes for name in device.shows}


def test_bands_of_cloud_have_gaps() -> None:
    async def story(rig: FaultRig) -> list[float]:
        await rig.at(FROM_S)
        return [state.cloud_percent for state in await readings(rig, FROM_S + 3600.0)]

    covers = with_faults(story, {"weather": {}}, ("weather", ("cloud-bands", FROM_S, 5000.0)))
    assert max(covers[:15]) > 80.0 and min(covers[15:30]) < 20.0 and max(covers[30:45]) > 80.0


@pytest.mark.parametrize("clears", [False, True])
def test_a_roof_that_nobody_commands_waits_for_the_mount(clears: bool) -> None:
    """And closes over it only where that does no harm."""

    async def story(rig: FaultRig) -> None:
        await rig.do("roof", OpenRoof())
        await rig.do("mount", Unpark())
        await rig.do("roof", OpenRoof())  # by now its switch has seen the mount move
        assert rig.about("roof").limits["clears_telescope"] is clears
        began_s = rig.clock.mono()
        if not clears:
            assert "not parked" in str(await failed(rig, "roof", MakeSafe(reason="silence")))
            assert rig.truth("roof").open_fraction == 1.0
            return
        await rig.do("roof", MakeSafe(reason="silence"))
        assert rig.state("roof").position == "closed"
        # The wait as set, and the way of 25 s.
        assert rig.clock.mono() - began_s == pytest.approx(60.0 + 25.0, abs=1.0)

    options = {"clears_telescope": True, "waits_s": 60.0} if clears else {}
    with_faults(story, {"roof": options, "mount": {}})
