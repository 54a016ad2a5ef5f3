"""Faults of guiding: shown by the number-level guider, and noticed by the one that measures."""

from __future__ import annotations

import math
from typing import Any

import pytest

from midwatch.bus import CommandError
from midwatch.devices.contract import Connect, MemoryKeptFacts
from midwatch.devices.contract.kinds import Slew, StartGuiding
from midwatch.virtual_time import run_virtual
from midwatch_simulators.instruments.simulated_guider import SimulatedGuider
from support.fault_bench import FROM_S, UNTIL_S, FaultRig, with_faults
from support.guided_rig import EVENING, SETTLE, GuidedRig, guided_rig

START = StartGuiding(settle=SETTLE)
STORIES: dict[str, Any] = {}


def tells(name: str) -> Any:
    def note(story: Any) -> Any:
        STORIES[name] = story
        return story

    return note


async def failed(rig: FaultRig, command: Any) -> str:
    with pytest.raises(CommandError) as error:
        await rig.do("guider", command)
    return str(error.value)


def rms(rig: FaultRig) -> float:
    state = rig.state("guider")
    return math.hypot(state.rms_ra_arcsec, state.rms_dec_arcsec)


async def loses_the_star(rig: FaultRig, why: str, within_s: float) -> None:
    """The loop ends, says why, does not start, and starts again when all is well."""
    await rig.at(FROM_S - 1.0)
    assert rig.state("guider").phase == "guiding" and rig.truth("mount").guided
    await rig.at(FROM_S + within_s)
    state = rig.state("guider")
    assert state.phase == "lost" and why in state.fault and state.rms_ra_arcsec is None
    assert not rig.truth("guider").guiding and not rig.truth("mount").guided
    assert why in await failed(rig, START)
    await rig.at(UNTIL_S)
    await rig.do("guider", START)
    assert rig.state("guider").phase == "guiding" and rig.truth("mount").guided


@tells("guide-camera-unplugged")
async def unplugged(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    state = rig.state("guider")
    assert not state.connected and "check its cable" in state.fault
    assert not rig.truth("mount").guided
    assert "not found" in await failed(rig, Connect())
    await rig.at(UNTIL_S)
    await rig.do("guider", Connect())
    await rig.do("guider", START)
    assert rig.state("guider").phase == "guiding" and rig.truth("mount").guided


@tells("guide-camera-frozen")
async def frozen(rig: FaultRig) -> None:
    await loses_the_star(rig, "same frame again and again", 7.0)


@tells("guide-star-lost")
async def star_lost(rig: FaultRig) -> None:
    await loses_the_star(rig, "no star", 1.0)


async def is_worse(rig: FaultRig, worse: float, snr_share: float) -> None:
    await rig.at(FROM_S - 5.0)
    usual, snr = rms(rig), rig.state("guider").star_snr
    await rig.at(FROM_S + 60.0)
    assert rms(rig) > worse * usual and rig.state("guider").phase == "guiding"
    assert rig.state("guider").star_snr == pytest.approx(snr_share * snr, rel=0.1)
    # The main camera's stars go by what is.
    assert rig.truth("guider").rms_ra_arcsec == pytest.approx(
        rig.state("guider").rms_ra_arcsec, rel=0.1
    )
    await rig.at(UNTIL_S + 60.0)
    assert rms(rig) == pytest.approx(usual, rel=0.2)


@tells("guide-camera-hot")
async def hot(rig: FaultRig) -> None:
    await is_worse(rig, 1.4, 0.4)


@tells("guide-camera-wrong-exposure")
async def wrong_exposure(rig: FaultRig) -> None:
    # A tenth of the light, counted: the root of a tenth of the signal to noise.
    await is_worse(rig, 1.3, math.sqrt(0.1))


@tells("guide-overcorrection")
async def overcorrection(rig: FaultRig) -> None:
    await rig.at(FROM_S - 5.0)
    usual = rms(rig)
    grown = []
    for after_s in (35.0, 95.0, 155.0):
        await rig.at(FROM_S + after_s)
        grown.append(rms(rig))
    assert usual < grown[0] < grown[1] < grown[2] and grown[2] > 10.0
    assert rig.truth("guider").rms_ra_arcsec > 8.0 and rig.state("guider").phase == "guiding"
    await rig.at(UNTIL_S + 60.0)
    assert rms(rig) == pytest.approx(usual, rel=0.2)


@tells("guide-calibration-nonsense")
async def calibration_nonsense(rig: FaultRig) -> None:
    await rig.at(FROM_S + 1.0)
    # What was calibrated before serves on; anew it does not succeed.
    await rig.do("guider", START)
    again = START.model_copy(update={"recalibrate": True})
    assert "does not calibrate" in await failed(rig, again)
    assert rig.state("guider").phase == "idle" and not rig.truth("mount").guided
    await rig.at(UNTIL_S)
    await rig.do("guider", again)
    assert rig.state("guider").calibrated and rig.state("guider").phase == "guiding"


@pytest.mark.parametrize("name", STORIES)
def test_a_guider_shows(name: str) -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(Slew(ra_deg=114.6, dec_deg=21.6))
        await rig.do("guider", START)
        await STORIES[name](rig)

    roles: dict[str, dict[str, Any]] = {"weather": {}, "mount": {}, "guider": {}}
    with_faults(story, roles, ("guider", (name, FROM_S, UNTIL_S)))


def test_each_fault_is_reported_of_here() -> None:
    assert set(STORIES) == set(SimulatedGuider.shows)


# The guider that measures frames -------------------------------------------------------------


@pytest.fixture(scope="module")
def calibrated() -> MemoryKeptFacts:
    kept = MemoryKeptFacts()

    async def main() -> None:
        async with guided_rig(kept_facts=kept) as rig:
            await rig.do("guider", START)

    run_virtual(main)
    return kept


FELT = {
    "guide-camera-frozen": "same frame again and again",
    "guide-star-lost": "guide stars are lost",
}


@pytest.mark.parametrize("name", FELT)
def test_the_measuring_guider_notices_by_itself(name: str, calibrated: MemoryKeptFacts) -> None:
    began_s = EVENING.timestamp() + 90.0
    fault = {"name": name, "from_utc_s": began_s, "until_utc_s": began_s + 60.0}
    kept = MemoryKeptFacts()
    kept.save(calibrated.load())

    async def watch(rig: GuidedRig) -> list[tuple[float, str, str | None]]:
        await rig.do("guider", START)
        seen = []
        while rig.clock.unix_s() < began_s + 150.0:
            await rig.clock.sleep(2.0)
            state = rig.state("guider")
            seen.append((rig.clock.unix_s() - began_s, state.phase, state.fault))
        return seen

    async def main() -> list[tuple[float, str, str | None]]:
        async with guided_rig(kept_facts=kept, guide_camera={"faults": [fault]}) as rig:
            return await watch(rig)

    seen = run_virtual(main)
    before = [phase for at_s, phase, _ in seen if at_s < 0.0]
    within = [(phase, said) for at_s, phase, said in seen if 20.0 < at_s < 58.0]
    assert set(before) == {"guiding"}
    assert any(phase == "lost" and said and FELT[name] in said for phase, said in within)
    assert seen[-1][1:] == ("guiding", None)
