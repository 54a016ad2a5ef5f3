"""The guider on a guide camera and a mount, each behind its host: what it does by itself."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Coroutine
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from midwatch.bus import CommandError
from midwatch.devices.contract import Connect, Disconnect, MemoryKeptFacts
from midwatch.devices.contract.kinds import Dither, Pulse, Slew, StartGuiding, StopGuiding, Track
from midwatch.sky import Horizon, MountLimits, Observer
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch.virtual_time import run_virtual
from support.guided_rig import EVENING, FIELD, PLACE, SETTLE, GuidedRig, guided_rig

START = StartGuiding(settle=SETTLE)
OPEN = Horizon(((0.0, 0.0), (180.0, 0.0)))


@pytest.fixture(scope="module")
def calibrated() -> MemoryKeptFacts:
    """What a guider kept of a calibration, for tests of what comes after."""
    kept = MemoryKeptFacts()

    async def main(rig: GuidedRig) -> None:
        await rig.do("guider", START)

    with_rig(main, kept_facts=kept)
    assert kept.load()
    return kept


def again(kept: MemoryKeptFacts) -> MemoryKeptFacts:
    """A copy, so that no test changes what the next one finds."""
    copy = MemoryKeptFacts()
    copy.save(kept.load())
    return copy


def with_rig(main: Callable[[GuidedRig], Coroutine[Any, Any, Any]], **settings: Any) -> Any:
    async def run() -> Any:
        async with guided_rig(**settings) as rig:
            return await main(rig)

    return run_virtual(run)


def place_arcsec(rig: GuidedRig) -> tuple[float, float]:
    """Where the telescope really points, east and north of the field."""
    ra, dec = rig.truth.pointing(rig.clock.unix_s())
    return (ra - FIELD[0]) * 3600 * math.cos(math.radians(FIELD[1])), (dec - FIELD[1]) * 3600


async def watched(rig: GuidedRig, duration_s: float) -> np.ndarray:
    """Places during some time, two seconds apart, shape (N, 2)."""
    places = []
    for _ in range(round(duration_s / 2.0)):
        await rig.clock.sleep(2.0)
        places.append(place_arcsec(rig))
    return np.array(places)


def spell(after_s: float, lasts_s: float, cloud_percent: float) -> dict[str, Any]:
    """Cloud that comes and goes within five seconds."""
    began = EVENING + timedelta(seconds=after_s)
    ends = began + timedelta(seconds=lasts_s)
    band = {"from": began.isoformat(), "to": ends.isoformat(), "edge_s": 5.0}
    return {"clouds": [{**band, "percent": cloud_percent}]}


def test_calibrates_guides_dithers_and_takes_its_calibration_over_a_flip() -> None:
    kept = MemoryKeptFacts()

    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        guided = await watched(rig, 120.0)
        before, state = place_arcsec(rig), rig.state("guider")
        await rig.do("guider", Dither(east_arcsec=9.0, north_arcsec=-6.0, settle=SETTLE))
        dithered = (await watched(rig, 40.0)).mean(axis=0) - guided.mean(axis=0)
        del before
        await rig.do("guider", StopGuiding())
        await rig.do("mount", Slew(ra_deg=FIELD[0], dec_deg=FIELD[1], pier_side="west"))
        before = len(rig.seen)
        await rig.do("guider", START)
        flipped = await watched(rig, 90.0)
        later = [facts["event"] for _, name, facts in rig.seen[before:] if name == "guiding"]
        return guided, state, dithered, flipped, later

    rough = {"character": "rough", "past_meridian_deg": 60.0}
    guided, state, dithered, flipped, later = with_rig(main, mount=rough, kept_facts=kept)
    assert state.phase == "guiding" and state.calibrated and state.cycles > 40
    assert state.stars >= 3 and state.star_snr > 10.0 and state.fault is None
    # Unguided, this worm alone takes the mount 18 arcsec to either side.
    assert (guided - guided.mean(axis=0)).std(axis=0) == pytest.approx([0.6, 0.6], abs=0.6)
    assert dithered == pytest.approx([9.0, -6.0], abs=1.2)
    assert (flipped - flipped.mean(axis=0)).std(axis=0).max() < 2.0
    assert "calibration_reused" in later and "calibration_begun" not in later
    assert kept.load()


def test_what_was_calibrated_is_found_again_by_a_restarted_driver() -> None:
    kept = MemoryKeptFacts()

    async def main(rig: GuidedRig) -> Any:
        began_s = rig.clock.mono()
        calibrated = rig.state("guider").calibrated
        await rig.do("guider", START)
        return calibrated, rig.clock.mono() - began_s

    first, second = (with_rig(main, kept_facts=kept) for _ in range(2))
    assert not first[0] and second[0]
    assert first[1] > 60.0 and second[1] < 40.0


def test_sits_out_a_minute_of_cloud_without_anybody(calibrated: MemoryKeptFacts) -> None:
    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        phases = []
        while rig.clock.unix_s() < EVENING.timestamp() + 240.0:
            await rig.clock.sleep(2.0)
            phases.append(rig.state("guider").phase)
        return phases, await watched(rig, 60.0), rig.state("guider")

    phases, after, state = with_rig(
        main, weather=spell(120.0, 60.0, 100.0), kept_facts=again(calibrated)
    )
    assert "lost" in phases and phases.index("lost") < phases[::-1].index("guiding") + len(phases)
    assert state.phase == "guiding" and state.fault is None
    assert (after - after.mean(axis=0)).std(axis=0).max() < 1.2


def test_an_unplugged_guide_camera_is_shown_with_what_to_try_and_taken_up_again(
    calibrated: MemoryKeptFacts,
) -> None:
    began = EVENING.timestamp() + 90.0
    fault = {"name": "guide-camera-unplugged", "from_utc_s": began, "until_utc_s": began + 90.0}

    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        seen = []
        while rig.clock.unix_s() < began + 200.0:
            await rig.clock.sleep(5.0)
            state = rig.state("guider")
            seen.append((rig.clock.unix_s() - began, state.phase, state.fault))
        return seen

    seen = with_rig(main, guide_camera={"faults": [fault]}, kept_facts=again(calibrated))
    lost = [fault for at_s, phase, fault in seen if 30.0 < at_s < 85.0 and phase == "lost"]
    assert len(lost) >= 8
    assert all("guide camera" in text and "check its cable and power" in text for text in lost)
    assert seen[-1][1:] == ("guiding", None)


def test_with_a_capped_guide_scope_guiding_does_not_start_and_says_what_to_look_at() -> None:
    async def main(rig: GuidedRig) -> Any:
        with pytest.raises(CommandError) as refused:
            await rig.do("guider", START)
        return str(refused.value), rig.state("guider")

    text, state = with_rig(main, guide_camera={"efficiency": 1e-9})
    assert "no guide star" in text and "cap" in text and "clear" in text
    assert state.phase == "lost" and "no guide star" in state.fault


def test_no_pulse_reaches_a_mount_that_slews_or_has_stopped(calibrated: MemoryKeptFacts) -> None:
    async def main(rig: GuidedRig) -> Any:
        mount = rig.hosts["mount"].driver
        pulsed: list[tuple[bool, bool]] = []
        perform = mount.perform

        async def noted(command: Any) -> Any:
            if isinstance(command, Pulse):
                state = mount.state()
                pulsed.append((state.tracking, state.slewing))
            return await perform(command)

        mount.perform = noted  # type: ignore[method-assign]
        await rig.do("guider", START)
        await rig.do("mount", Slew(ra_deg=FIELD[0] + 12.0, dec_deg=FIELD[1] - 6.0))
        await rig.clock.sleep(20.0)
        slewed = rig.state("guider")
        with pytest.raises(CommandError) as dither:
            await rig.do("guider", Dither(east_arcsec=3.0, north_arcsec=0.0, settle=SETTLE))
        await rig.do("guider", START)
        await rig.do("mount", Track(on=False))
        before = len(pulsed)
        await rig.clock.sleep(30.0)
        with pytest.raises(CommandError) as start:
            await rig.do("guider", START)
        return pulsed, before, slewed, str(dither.value), str(start.value)

    pulsed, before, slewed, dither, start = with_rig(main, kept_facts=again(calibrated))
    assert len(pulsed) > 6 and len(pulsed) - before <= 2
    assert all(state == (True, False) for state in pulsed)
    assert slewed.phase == "lost" and slewed.fault == "the mount does not track"
    assert "only while it guides" in dither
    assert "the mount does not track" in start


def test_pulses_are_bounded_and_refused_beyond_the_limits_of_the_mount(
    calibrated: MemoryKeptFacts,
) -> None:
    """The mount's own host refuses: the guider notes it, and the mount is stopped at the limit."""

    async def main(rig: GuidedRig) -> Any:
        mount = rig.hosts["mount"].driver
        lengths: list[int] = []
        perform = mount.perform

        async def noted(command: Any) -> Any:
            if isinstance(command, Pulse):
                lengths.append(command.duration_ms)
            return await perform(command)

        mount.perform = noted  # type: ignore[method-assign]
        await rig.do("guider", START)
        inside = len(lengths)
        while rig.state("mount").tracking:
            await rig.clock.sleep(5.0)
        at_limit, alt_deg = len(lengths), rig.state("mount").alt_deg
        await rig.clock.sleep(30.0)
        with pytest.raises(CommandError) as refused:
            await rig.do("mount", Pulse(direction="west", duration_ms=500))
        return inside, at_limit, lengths, alt_deg, str(refused.value), rig.state("guider")

    seen = Observer(PLACE).altaz(*FIELD, EVENING.timestamp() + 240.0)
    lowest_deg = float(seen.alt_deg)
    limits = MountLimits(OPEN, lowest_deg, GermanEquatorial(90.0, 90.0), 40.0)
    inside, at_limit, lengths, alt_deg, refused, guider = with_rig(
        main,
        limits=limits,
        mount={"character": "rough"},
        guider={"max_pulse_ms": 600},
        kept_facts=again(calibrated),
    )
    assert inside >= 2 and len(lengths) - at_limit <= 2
    assert max(lengths) <= 600
    assert lowest_deg < alt_deg < lowest_deg + 0.1
    assert "only while it tracks" in refused
    assert guider.phase == "lost" and guider.fault == "the mount does not track"


def test_without_a_lease_the_mount_is_let_go(calibrated: MemoryKeptFacts) -> None:
    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        await rig.lease.stop()
        await rig.clock.sleep(200.0)
        return rig.state("guider"), rig.state("mount")

    guider, mount = with_rig(main, kept_facts=again(calibrated))
    assert guider.at_rest and guider.phase == "idle"
    assert mount.parked


def test_the_same_seed_guides_the_same_and_another_does_not(calibrated: MemoryKeptFacts) -> None:
    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        return (await watched(rig, 30.0)).tolist(), rig.seen

    one, two, other = (
        with_rig(main, seed=seed, kept_facts=again(calibrated)) for seed in (3, 3, 4)
    )
    assert one == two
    assert one != other


def test_a_driver_says_what_is_wrong_with_its_settings() -> None:
    async def main(_: GuidedRig) -> None:
        pass

    with pytest.raises(Exception, match=r"exposure_s.*greater than or equal"):
        with_rig(main, guider={"exposure_s": 0.0})
    with pytest.raises(Exception, match="longest_exposure_s is shorter"):
        with_rig(main, guider={"exposure_s": 20.0})


def test_connecting_waits_for_somebody_who_is_connecting_the_camera() -> None:
    async def main(rig: GuidedRig) -> Any:
        for role in ("guider", "guide_camera"):
            await rig.do(role, Disconnect())
        await asyncio.gather(*(rig.do(role, Connect()) for role in ("guide_camera", "guider")))
        return rig.state("guider").connected, rig.state("guide_camera").connected

    assert with_rig(main, field_deg=None) == (True, True)


def test_a_guide_camera_that_is_not_there_is_named_with_what_to_try() -> None:
    gone = {"name": "guide-camera-unplugged", "from_utc_s": 0.0}

    async def main(rig: GuidedRig) -> str:
        with pytest.raises(CommandError) as refused:
            await rig.do("guider", Connect(), 60.0)
        return str(refused.value)

    said = with_rig(main, connect=(), field_deg=None, guide_camera={"faults": [gone]})
    assert "the guide camera does not connect" in said
    assert "check its cable and power, try another port, and close other programs" in said


def test_started_again_at_once_it_waits_for_the_exposure_that_still_runs(
    calibrated: MemoryKeptFacts,
) -> None:
    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        await rig.clock.sleep(1.0)
        links = []
        rig.clients["guide_camera"].listen(
            lambda: links.append(rig.state("guide_camera").connected)
        )
        await rig.do("guider", StopGuiding())
        await rig.do("guider", START)
        return links, rig.state("guider").phase

    links, phase = with_rig(main, kept_facts=again(calibrated))
    assert phase == "guiding" and links and all(links)


def test_guide_frames_do_not_pile_up(calibrated: MemoryKeptFacts) -> None:
    async def main(rig: GuidedRig) -> Any:
        await rig.do("guider", START)
        await rig.do("guider", StopGuiding())
        await rig.clock.sleep(5.0)
        return rig.state("guide_camera"), rig.state("guider").cycles

    state, cycles = with_rig(main, kept_facts=again(calibrated))
    assert cycles >= 4
    assert len(state.waiting) <= 1 and state.phase == "idle"
