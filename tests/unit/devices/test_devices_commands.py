import asyncio
import json

import pytest

from midwatch.bus import CallTimeoutError, CommandError, ErrorKind
from midwatch.devices.client import fetch
from midwatch.devices.contract import Disconnect, MakeSafe, Stop
from midwatch.devices.contract.kinds import (
    Acknowledge,
    Expose,
    FrameRef,
    ListWaiting,
    Park,
    Pulse,
    Slew,
    Track,
    Unpark,
)
from midwatch.virtual_time import run_virtual
from support.device_toys import Kind, ToyCamera, toy_rig

EXPOSE = Expose(exposure_id="e1", frame="light", exposure_s=60)


async def refused(coroutine) -> CommandError:
    with pytest.raises(CommandError) as caught:
        await coroutine
    return caught.value


def test_command_answers_with_its_model_and_the_state_is_there_before_the_answer():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig, rig.lease:
            camera, mount = rig.client(Kind.CAMERA), rig.client(Kind.MOUNT)
            await camera.start()
            await mount.start()
            before = rig.clock.mono()
            ref = await camera.do(EXPOSE, 90)
            took = rig.clock.mono() - before
            pixels = fetch(ref)
            waiting = await camera.do(ListWaiting(), 5)
            await camera.do(Acknowledge(sha256=ref.sha256), 5)
            left = await camera.do(ListWaiting(), 5)
            await mount.do(Unpark(), 5)
            parked = mount.state.parked
            await camera.stop()
            await mount.stop()
            return took, ref, pixels, waiting, left, parked

    took, ref, pixels, waiting, left, parked = run_virtual(main)
    assert took == pytest.approx(60, abs=1e-3)
    assert (ref.exposure_id, ref.exposure_s, pixels.shape) == ("e1", 60, (6, 8))
    assert waiting.frames == (ref,)
    assert left.frames == ()
    assert parked is False


def test_the_same_seed_gives_the_same_pixels():
    async def main():
        async with toy_rig(Kind.CAMERA) as rig, rig.lease:
            return (await rig.client(Kind.CAMERA).do(EXPOSE, 90)).sha256

    assert run_virtual(main) == run_virtual(main)


def test_commands_need_the_lease_but_stopping_and_asking_do_not():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig:
            mount, camera = rig.client(Kind.MOUNT), rig.client(Kind.CAMERA)
            error = await refused(mount.do(Unpark(), 5))
            still_parked = rig.hosts["mount"].driver.state().parked
            await mount.do(Stop(), 5)
            waiting = await camera.do(ListWaiting(), 5)
            await rig.lease.start()
            await mount.do(Unpark(), 5)
            return error, still_parked, waiting, rig.hosts["mount"].driver.state().parked

    error, still_parked, waiting, parked = run_virtual(main)
    assert error.kind is ErrorKind.NO_LEASE
    assert still_parked
    assert waiting.frames == ()
    assert not parked


@pytest.mark.parametrize(
    ("command", "args", "wanted"),
    [
        ("slew", {"ra_deg": 400, "dec_deg": 0}, "ra_deg: '400' is not allowed"),
        ("slew", {"ra_deg": 10}, "dec_deg: is missing"),
        ("slew", {"ra_deg": 10, "dec_deg": "high"}, "dec_deg: 'high' is not allowed"),
        ("pulse", {"direction": "up", "duration_ms": 100}, "'north'"),
        ("park", {"fast": True}, "fast: is no argument of park; its arguments: none"),
    ],
)
def test_bad_arguments_are_named_with_what_is_allowed(command, args, wanted):
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            return await refused(
                rig.caller.call("mount", command, args, timeout_s=5, lease=rig.lease.token)
            )

    error = run_virtual(main)
    assert error.kind is ErrorKind.BAD_ARGS
    assert wanted in error.message
    assert not error.retryable


def test_a_command_of_another_kind_is_unknown():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            return await refused(rig.client(Kind.MOUNT).do(EXPOSE, 5))

    error = run_virtual(main)
    assert error.kind is ErrorKind.UNKNOWN_COMMAND
    assert "slew" in error.message


def test_exclusive_commands_exclude_each_other_and_others_pass():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Unpark(), 5)
            slew = asyncio.create_task(mount.do(Slew(ra_deg=100, dec_deg=40), 60))
            await rig.clock.sleep(5)
            busy = await refused(mount.do(Track(on=True), 5))
            await mount.do(Pulse(direction="north", duration_ms=500), 5)
            during = rig.clock.mono()
            await slew
            return busy, during, rig.clock.mono()

    busy, during, after = run_virtual(main)
    assert busy.kind is ErrorKind.BUSY
    assert busy.retryable
    assert "slew" in busy.message
    assert (during, after) == (pytest.approx(5.5), pytest.approx(20))


def test_an_interrupting_command_ends_what_runs_and_whoever_asked_for_it_is_reported():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Unpark(), 5)
            slew = asyncio.create_task(refused(mount.do(Slew(ra_deg=100, dec_deg=40), 60)))
            await rig.clock.sleep(5)
            await mount.do(Stop(), 10)
            stopped_at = rig.clock.mono()
            state = rig.hosts["mount"].driver.state()
            return await slew, stopped_at, state

    ended, stopped_at, state = run_virtual(main)
    assert ended.kind is ErrorKind.CANCELLED
    assert "stop" in ended.message
    assert stopped_at == pytest.approx(5)
    assert not state.slewing
    assert state.ra_deg == 0.0


def test_making_safe_twice_at_once_parks_once():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Unpark(), 5)
            first = asyncio.create_task(mount.do(MakeSafe(reason="rain"), 60))
            await rig.clock.sleep(5)
            await mount.do(MakeSafe(reason="wind"), 60)
            await first
            return rig.hosts["mount"].driver, rig.clock.mono()

    driver, took = run_virtual(main)
    assert driver.parks == 1
    assert driver.state().parked
    assert took == pytest.approx(20)


def test_a_command_that_takes_longer_than_its_deadline_is_ended():
    async def main():
        async with toy_rig(Kind.CAMERA) as rig, rig.lease:
            camera = rig.client(Kind.CAMERA)
            with pytest.raises((CommandError, CallTimeoutError)):
                await camera.do(EXPOSE, 30)
            await rig.clock.sleep(0.1)
            phase = rig.hosts["camera"].driver.state().phase
            # The device is free again, and nothing was kept.
            waiting = await camera.do(ListWaiting(), 5)
            second = await camera.do(EXPOSE.model_copy(update={"exposure_s": 1}), 5)
            return phase, waiting.frames, second.exposure_s

    assert run_virtual(main) == ("idle", (), 1)


def test_an_expired_request_is_not_begun():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            request = {
                "id": "late", "reply_to": rig.topics.reply("daemon"), "sender": "daemon",
                "deadline": "2027-03-10T19:59:59Z", "lease": "daemon", "args": {},
            }  # fmt: skip
            await rig.bus.publish(rig.topics.do("mount", "unpark"), json.dumps(request).encode())
            await rig.clock.sleep(1)
            return rig.hosts["mount"].counters.expired, rig.hosts["mount"].driver.state().parked

    assert run_virtual(main) == (1, True)


def test_what_the_device_cannot_do_is_its_fault_and_a_bug_leaves_the_host_alive():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig, rig.lease:
            fault = await refused(rig.client(Kind.MOUNT).do(Slew(ra_deg=1, dec_deg=40), 60))
            camera = rig.client(Kind.CAMERA)
            bug = await refused(camera.do(Disconnect(), 5))
            ref = await camera.do(EXPOSE.model_copy(update={"exposure_s": 1}), 5)
            return fault, bug, ref

    fault, bug, ref = run_virtual(main)
    assert (fault.kind, fault.message) == (
        ErrorKind.DEVICE_FAULT,
        "the mount is parked: unpark it first",
    )
    assert bug.kind is ErrorKind.INTERNAL
    assert ref.exposure_s == 1


def test_a_driver_that_makes_an_invalid_model_is_not_taken_for_bad_arguments():
    class Sloppy(ToyCamera):
        async def expose(self, command):
            return FrameRef(sha256="nonsense")

    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Sloppy}) as rig, rig.lease:
            return await refused(rig.client(Kind.CAMERA).do(EXPOSE, 90))

    assert run_virtual(main).kind is ErrorKind.INTERNAL


def test_without_a_link_to_the_hardware_only_connecting_and_stopping_are_tried():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Disconnect(), 5)
            error = await refused(mount.do(Park(), 60))
            await mount.do(Stop(), 5)
            await rig.caller.call("mount", "connect", {}, timeout_s=5, lease="daemon")
            await mount.do(Park(), 60)
            return error

    error = run_virtual(main)
    assert error.kind is ErrorKind.NOT_CONNECTED
    assert error.retryable


def test_a_driver_that_does_not_stop_does_not_keep_an_emergency_waiting():
    class Hung(ToyCamera):
        async def expose(self, command):
            while True:
                try:
                    await self.context.clock.sleep(1000)
                except asyncio.CancelledError:
                    if self.context.clock.mono() > 40:
                        raise

    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Hung}) as rig, rig.lease:
            camera = rig.client(Kind.CAMERA)
            expose = asyncio.create_task(refused(camera.do(EXPOSE, 120)))
            await rig.clock.sleep(5)
            await camera.do(MakeSafe(reason="rain"), 60)
            done_s = rig.clock.mono()
            await rig.clock.sleep(100)
            expose.cancel()
            await asyncio.wait([expose])
            return done_s, rig.hosts["camera"].driver.warmings

    done_s, warmings = run_virtual(main)
    assert done_s == pytest.approx(20)
    assert warmings == 1
