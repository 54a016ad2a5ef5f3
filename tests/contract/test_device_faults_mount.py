"""Each fault of the simulated mount: what it does, when, and what is needed afterwards."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.contract import Connect
from midwatch.devices.contract.kinds import MountState, Park, Pulse, Slew, Track, Unpark
from midwatch.sky import Horizon, MountLimits, Observer
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch_simulators.mount.simulated_mount import SimulatedMount
from support.fault_bench import EVENING, FROM_S, PLACE, UNTIL_S, FaultRig, with_faults

ROLES: dict[str, dict[str, Any]] = {"mount": {}}
FIELD = Slew(ra_deg=114.6, dec_deg=21.6)
OTHER = Slew(ra_deg=135.0, dec_deg=40.0)
# Degrees that the sky turns in a second: 360 in a mean sidereal day of 86164.0905 s
# (Explanatory Supplement to the Astronomical Almanac, from memory).
SKY_DEG_S = 360.0 / 86164.0905
STORIES: dict[str, Any] = {}


def tells(name: str) -> Any:
    def note(story: Any) -> Any:
        STORIES[name] = story
        return story

    return note


def near(off: tuple[float, float], ra: float = 0.0, dec: float = 0.0, within: float = 0.02) -> bool:
    return off == (pytest.approx(ra, abs=within), pytest.approx(dec, abs=within))


async def refused(rig: FaultRig, command: Any) -> CommandError:
    with pytest.raises(CommandError) as error:
        await rig.do("mount", command)
    return error.value


@tells("mount-stalls")
async def stalls(rig: FaultRig) -> None:
    await rig.at(FROM_S - 1.0)
    assert near(rig.off_deg()) and rig.truth("mount").tracking
    await rig.at(600.0)
    state = rig.state("mount")
    assert state.tracking and state.fault is None and not rig.truth("mount").tracking
    assert near(rig.off_deg(), SKY_DEG_S * 300.0)
    before = rig.pointing()[1]
    for command in (OTHER, Park()):
        error = await refused(rig, command)
        assert error.retryable and "a motor stalls" in str(error)
    assert rig.pointing()[1] == pytest.approx(before, abs=0.01)
    assert not rig.state("mount").parked and not rig.truth("mount").parked
    await rig.at(UNTIL_S + 1.0)
    await rig.do("mount", FIELD)
    assert abs(rig.off_deg()[0]) > 1.0, "the lost steps have come back by themselves"
    await rig.sync()
    await rig.do("mount", OTHER)
    assert near(rig.off_deg(), within=0.3) and rig.truth("mount").tracking
    await rig.do("mount", Park())
    assert rig.truth("mount").parked


@tells("tracking-lost")
async def loses_tracking(rig: FaultRig) -> None:
    await rig.at(FROM_S - 1.0)
    assert rig.state("mount").tracking
    await rig.at(FROM_S + 1.0)
    state = rig.state("mount")
    assert not state.tracking and not rig.truth("mount").tracking and state.fault is None
    await rig.do("mount", Track(on=True))
    await rig.clock.sleep(600.0)
    assert rig.state("mount").tracking and rig.truth("mount").tracking


@tells("slew-refused")
async def refuses(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    before = rig.pointing()
    error = await refused(rig, OTHER)
    assert error.kind is ErrorKind.DEVICE_FAULT and error.retryable
    assert rig.pointing() == pytest.approx(before, abs=0.001) and rig.state("mount").tracking
    await rig.at(UNTIL_S)
    await rig.do("mount", OTHER)
    assert rig.pointing()[1] == pytest.approx(OTHER.dec_deg, abs=0.3)


@tells("slew-lands-elsewhere")
async def lands_elsewhere(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    await rig.do("mount", OTHER)
    state = rig.state("mount")
    assert (state.ra_deg, state.dec_deg) == (pytest.approx(135.0, abs=0.01),
                                             pytest.approx(40.0, abs=0.01))  # fmt: skip
    ra, dec = rig.off_deg()
    assert 1.5 < ((ra * 0.77) ** 2 + dec**2) ** 0.5 < 5.5 and state.fault is None
    await rig.at(UNTIL_S)
    await rig.do("mount", FIELD)
    assert near(rig.off_deg(), within=0.3)


@tells("wrong-pier-side")
async def wrong_side(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    observer = Observer(PLACE)
    # Two degrees past the meridian the telescope belongs on the east side of the pier.
    ra = float(observer.local_sidereal_deg(rig.clock.unix_s())) - 2.0
    past = Slew(ra_deg=ra % 360.0, dec_deg=20.0)
    await rig.do("mount", past)
    assert rig.state("mount").pier_side == rig.truth("mount").pier_side == "west"
    await rig.do("mount", past.model_copy(update={"pier_side": "west"}))
    assert rig.state("mount").pier_side == "east"
    await rig.at(UNTIL_S)
    await rig.do("mount", past)
    assert rig.state("mount").pier_side == rig.truth("mount").pier_side == "east"


@tells("mount-limit-hit")
async def hits_its_limit(rig: FaultRig) -> None:
    await rig.at(FROM_S - 5.0)
    error = await refused(rig, OTHER)
    assert "did not arrive" in str(error) and "limit switch" in str(error)
    state = rig.state("mount")
    assert not state.tracking and not state.slewing and "limit switch" in state.fault
    await rig.do("mount", OTHER)
    assert rig.state("mount").tracking and rig.state("mount").fault is None
    assert near(rig.off_deg(), within=0.3)


async def reckons_wrong(rig: FaultRig, ahead_deg: float) -> None:
    await rig.at(FROM_S - 1.0)
    before, there = rig.state("mount").ra_deg, rig.pointing()
    await rig.at(FROM_S + 1.0)
    assert rig.state("mount").ra_deg - before == pytest.approx(ahead_deg, abs=0.01)
    assert rig.pointing() == pytest.approx(there, abs=0.01)
    await rig.do("mount", OTHER)
    assert near(rig.off_deg(), -ahead_deg, within=0.3)
    state = rig.hosts["mount"].driver.state()
    real = Observer(PLACE).hour_angle_deg(state.ra_deg, state.dec_deg, rig.clock.unix_s())  # type: ignore[attr-defined]
    assert state.hour_angle_deg - float(real) == pytest.approx(ahead_deg, abs=0.01)  # type: ignore[attr-defined]
    await rig.sync()
    await rig.do("mount", FIELD)
    assert near(rig.off_deg(), within=0.3)
    await rig.at(UNTIL_S + 1.0)
    # What was synced under the wrong hour is wrong under the right one.
    assert near(rig.off_deg(), ahead_deg, within=0.3)
    await rig.sync()
    await rig.do("mount", OTHER)
    assert near(rig.off_deg(), within=0.3)


@tells("mount-clock-wrong")
async def clock_wrong(rig: FaultRig) -> None:
    await reckons_wrong(rig, 2.0)


@tells("mount-site-wrong")
async def site_wrong(rig: FaultRig) -> None:
    await reckons_wrong(rig, -3.0)


@tells("mount-power-lost")
async def loses_power(rig: FaultRig) -> None:
    await rig.at(FROM_S - 5.0)
    error = await refused(rig, OTHER)
    assert rig.clock.unix_s() - EVENING.timestamp() == pytest.approx(FROM_S, abs=1.0)
    assert error.kind is ErrorKind.DEVICE_FAULT and "lost during slew" in str(error)
    await rig.clock.sleep(1.0)
    state = rig.state("mount")
    assert not state.connected and not state.tracking and "is gone" in state.fault
    assert "not found" in str(await refused(rig, Connect()))
    await rig.at(UNTIL_S + 1.0)
    assert not rig.state("mount").connected
    await rig.do("mount", Connect())
    state = rig.state("mount")
    assert state.connected and not state.tracking and state.fault is None
    await rig.do("mount", FIELD)
    assert max(map(abs, rig.off_deg())) > 0.2, "it has kept its alignment"
    await rig.sync()
    await rig.do("mount", OTHER)
    assert near(rig.off_deg(), within=0.3) and rig.truth("mount").tracking


@tells("encoder-jump")
async def encoders_jump(rig: FaultRig) -> None:
    await rig.at(FROM_S - 1.0)
    there = rig.pointing()
    assert near(rig.off_deg())
    await rig.at(FROM_S + 1.0)
    assert near(rig.off_deg(), -0.5) and rig.state("mount").tracking
    assert rig.pointing() == pytest.approx(there, abs=0.01)
    await rig.sync()
    await rig.do("mount", OTHER)
    assert near(rig.off_deg(), within=0.3)


async def pulsed(rig: FaultRig, direction: str) -> tuple[float, float]:
    """Return how far a pulse of 0.9 s moves the telescope east and north, arcsec on the axes."""
    ra, dec = rig.pointing()
    await rig.do("mount", Pulse(direction=direction, duration_ms=900))  # type: ignore[arg-type]
    after = rig.pointing()
    return (after[0] - ra) * 3600.0, (after[1] - dec) * 3600.0


# Half the sidereal rate, the usual guide rate, for 0.9 s.
USUAL_ARCSEC = 0.5 * SKY_DEG_S * 3600.0 * 0.9


@tells("guide-overcorrection")
async def answers_too_much(rig: FaultRig) -> None:
    await pulsed(rig, "north")  # takes up the play
    assert (await pulsed(rig, "north"))[1] == pytest.approx(USUAL_ARCSEC, abs=0.3)
    await rig.at(FROM_S + 1.0)
    assert (await pulsed(rig, "north"))[1] == pytest.approx(3.5 * USUAL_ARCSEC, abs=0.3)
    assert (await pulsed(rig, "east"))[0] == pytest.approx(3.5 * USUAL_ARCSEC, abs=0.5)
    await rig.at(UNTIL_S)
    assert (await pulsed(rig, "north"))[1] == pytest.approx(USUAL_ARCSEC, abs=0.3)


@tells("guide-calibration-nonsense")
async def goes_east_whatever(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    for direction in ("east", "west", "north", "south"):
        east, north = await pulsed(rig, direction)
        assert east == pytest.approx(USUAL_ARCSEC, abs=0.5)
        assert north == pytest.approx(0.0, abs=0.1)
    await rig.at(UNTIL_S)
    assert (await pulsed(rig, "west"))[0] == pytest.approx(-USUAL_ARCSEC, abs=0.5)


SPANS = {
    "tracking-lost": (FROM_S, FROM_S),
    "mount-limit-hit": (FROM_S, FROM_S),
    "encoder-jump": (FROM_S, FROM_S),
}


@pytest.mark.parametrize("name", STORIES)
def test_a_mount_shows(name: str) -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await STORIES[name](rig)

    with_faults(story, ROLES, ("mount", (name, *SPANS.get(name, (FROM_S, UNTIL_S)))))


def test_a_motor_that_stalls_on_its_way_stops_there() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await rig.at(FROM_S - 5.0)
        error = await refused(rig, OTHER)
        assert "did not arrive" in str(error) and "stalled" in str(error)
        assert 22.0 < rig.pointing()[1] < 39.0 and not rig.state("mount").slewing
        await rig.at(UNTIL_S)
        await rig.do("mount", OTHER)
        assert near(rig.off_deg(), within=0.3)

    with_faults(story, ROLES, ("mount", ("mount-stalls", FROM_S, UNTIL_S)))


# Degrees of hour angle around the meridian at which a slew starts and ends, and the side on which
# it is to end. On the other side the goal is past the limit.
WRONG_WAYS = [
    # From the park position, and from the other side: by then 4.3 and 4.9 degrees past it.
    (None, 6.5, "east"),
    (3.5, 12.0, "east"),
    (4.1, 12.0, "east"),
    # From the side itself: the mount turns over although there is no need to.
    (10.0, 14.0, "east"),
    (-20.0, -10.0, "west"),
    # To whichever side the mount thinks fit.
    (None, 6.5, None),
]
PAST_DEG, BEFORE_DEG = 5.0, 2.5
LIMITS = MountLimits(horizon=Horizon.flat(10.0), geometry=GermanEquatorial(PAST_DEG, BEFORE_DEG))


def by_hour_angle(rig: FaultRig, ha_deg: float, side: str | None) -> Slew:
    ra_deg = float(Observer(PLACE).local_sidereal_deg(rig.clock.unix_s())) - ha_deg
    return Slew.model_validate({"ra_deg": ra_deg % 360.0, "dec_deg": 20.0, "pier_side": side})


@pytest.mark.parametrize(("begin_deg", "end_deg", "side"), WRONG_WAYS)
def test_a_mount_on_its_way_to_the_wrong_side_is_stopped_before_the_limit(
    begin_deg: float | None, end_deg: float, side: str | None
) -> None:
    """Common practice, no source: seen from the west a limit is past the meridian, else before."""
    seen: list[tuple[float, str]] = []

    async def watch(rig: FaultRig) -> None:
        while True:
            state = rig.hosts["mount"].driver.state()
            assert isinstance(state, MountState)
            if state.dec_deg < 80.0:  # at the pole hour angles say nothing
                seen.append((state.hour_angle_deg, state.pier_side))
            await rig.clock.sleep(0.1)

    async def story(rig: FaultRig) -> None:
        await rig.do("mount", Unpark())
        if begin_deg is not None:
            start = "west" if begin_deg < 5.0 and side == "east" else side
            await rig.do("mount", by_hour_angle(rig, begin_deg, start))
        await rig.at(FROM_S)
        watching = asyncio.create_task(watch(rig))
        error = await refused(rig, by_hour_angle(rig, end_deg, side))
        watching.cancel()
        assert error.kind is ErrorKind.LIMIT and error.retryable
        assert "stopped on its way" in str(error)
        state = rig.state("mount")
        assert not state.slewing and not state.tracking
        # Once it does as it is told, it arrives.
        await rig.at(UNTIL_S)
        await rig.do("mount", by_hour_angle(rig, end_deg, side))
        assert rig.truth("mount").pier_side == (side or "east")

    with_faults(story, ROLES, ("mount", ("wrong-pier-side", FROM_S, UNTIL_S)), limits=LIMITS)
    assert not [ha for ha, where in seen if where == "west" and PAST_DEG < ha < 90.0]
    assert not [ha for ha, where in seen if where == "east" and -90.0 < ha < -BEFORE_DEG]


@pytest.mark.parametrize(
    ("begin_deg", "start", "end_deg", "side"),
    [(4.5, "west", 6.0, "east"), (-2.0, "east", -10.0, "west"), (80.0, "east", -80.0, "west")],
)
def test_a_slew_that_goes_where_it_is_sent_is_left_alone(
    begin_deg: float, start: str, end_deg: float, side: str
) -> None:
    async def story(rig: FaultRig) -> None:
        await rig.do("mount", Unpark())
        await rig.do("mount", by_hour_angle(rig, begin_deg, start))
        await rig.do("mount", by_hour_angle(rig, end_deg, side))
        assert rig.truth("mount").pier_side == side and rig.truth("mount").tracking

    with_faults(story, ROLES, limits=LIMITS)


def test_each_fault_is_reported_of_here() -> None:
    assert set(STORIES) == set(SimulatedMount.shows)


def test_guide_pulses_of_a_stalled_mount_move_nothing() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await rig.at(FROM_S + 1.0)
        dec = rig.pointing()[1]
        await asyncio.gather(
            *(rig.do("mount", Pulse(direction=way, duration_ms=900)) for way in ("north", "east"))
        )
        assert rig.pointing()[1] == dec

    with_faults(story, ROLES, ("mount", ("mount-stalls", FROM_S, UNTIL_S)))
