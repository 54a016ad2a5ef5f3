"""What a command left behind is known when it is answered; who is gone is not waited for."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from midwatch.bus import CallTimeoutError, DisturbedBroker, Message, Subscription
from midwatch.bus.calls import DeviceLostError
from midwatch.devices.contract.kinds import Expose, Slew, Track, Unpark
from midwatch.virtual_time import run_virtual
from support.device_toys import Kind, Rig, toy_rig


class SlowStates(DisturbedBroker):
    """States arrive so much later than everything else; or never."""

    def __init__(self, late_s: float) -> None:
        super().__init__(np.random.default_rng(1), lambda _: False)
        self.late_s = late_s
        self.lost = False

    def hand_over(self, route: tuple[Subscription, ...], message: Message) -> None:
        if not message.topic.endswith("/state"):
            super().hand_over(route, message)
        elif not self.lost:
            self._later(route, message, self.late_s, swap=False)


def test_the_answer_is_given_once_the_state_that_belongs_to_it_is_there():
    async def main():
        async with toy_rig(Kind.MOUNT, broker=SlowStates(2.0)) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(5)
            found = []
            for command in (Unpark(), Slew(ra_deg=100, dec_deg=40), Track(on=False)):
                await mount.do(command, 60)
                found.append((mount.state.parked, mount.state.ra_deg, mount.state.tracking))
            took_s = rig.clock.mono() - 5
            await mount.stop()
            return found, took_s

    found, took_s = run_virtual(main)
    assert found == [(False, 0.0, False), (False, 100.0, True), (False, 100.0, False)]
    assert took_s == pytest.approx(20 + 2 + 3 * 2.0)


def test_a_state_that_is_lost_is_not_waited_for_without_end():
    async def main():
        broker = SlowStates(0.0)
        async with toy_rig(Kind.MOUNT, broker=broker) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(1)
            broker.lost = True
            await mount.do(Unpark(), 60)
            took_s, known = rig.clock.mono() - 1, mount.state.parked
            await mount.stop()
            return took_s, known

    took_s, known = run_virtual(main)
    assert 5.0 <= took_s <= 15.0
    assert known


def test_a_state_that_was_overtaken_changes_nothing():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            states = rig.bus.subscribe(rig.topics.state("mount"))
            await mount.start()
            await rig.clock.sleep(1)
            await mount.do(Unpark(), 5)
            states.close()
            early, *_ = [message async for message in states]
            await rig.clock.sleep(1)
            await rig.bus.publish(early.topic, early.payload)
            await rig.clock.sleep(1)
            parked = mount.state.parked
            await mount.stop()
            return parked

    assert run_virtual(main) is False


def test_the_states_of_a_new_driver_count_from_the_beginning():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(100)
            await mount.do(Unpark(), 5)
            old = rig.hosts["mount"]
            rig.buses["mount"].drop()
            await old.__aexit__(None, None, None)
            await rig.clock.sleep(1)
            async with toy_host(rig):
                await rig.clock.sleep(1)
                back = mount.down, mount.state.parked
                await mount.do(Unpark(), 5)
                parked = mount.state.parked
            await mount.stop()
            return back, parked

    assert run_virtual(main) == ((False, True), False)


def toy_host(rig: Rig) -> object:
    """Another driver in the place of the mount's."""
    from midwatch.bus import MemoryBus
    from midwatch.devices.host import DeviceHost

    old = rig.hosts["mount"]
    broker = rig.buses["mount"]._broker
    bus = MemoryBus(broker, "host-mount")
    return DeviceHost(bus, rig.topics, rig.clock, old._device, old._setting)


def lost_after_s(what: str) -> tuple[float, type[BaseException]]:
    """Expose for ten minutes; after 100 s something happens. Return when that ended, and how."""

    async def main():
        async with toy_rig(Kind.CAMERA) as rig, rig.lease:
            camera = rig.client(Kind.CAMERA)
            await camera.start()
            await rig.clock.sleep(1)
            expose = Expose(exposure_id="e1", frame="light", exposure_s=600)
            asking = asyncio.create_task(camera.do(expose, 700))
            await rig.clock.sleep(100)
            bus = rig.buses["camera"]
            if what == "gone":
                bus.drop()
            elif what == "silent":
                bus.cut()
            elif what == "blip":
                bus.drop()
                await rig.clock.sleep(1)
                await bus.restore()
            elif what == "bus away":
                rig.bus.cut()
                await rig.clock.sleep(300)
                await rig.bus.restore()
            await asyncio.wait([asking])
            took_s = rig.clock.mono() - 101
            await camera.stop()
            return took_s, type(asking.exception())

    return run_virtual(main)


def test_a_device_that_is_gone_is_not_waited_for():
    took_s, error = lost_after_s("gone")
    assert error is DeviceLostError
    assert issubclass(error, CallTimeoutError)
    assert took_s <= 5.0


def test_a_device_that_falls_silent_is_not_waited_for():
    took_s, error = lost_after_s("silent")
    assert error is DeviceLostError
    assert took_s <= 31.0  # three heartbeats


@pytest.mark.parametrize("what", ["blip", "bus away"])
def test_what_goes_on_behind_a_broken_connection_is_waited_for(what: str):
    took_s, error = lost_after_s(what)
    assert error is type(None)
    assert took_s == pytest.approx(500.0)


def test_another_driver_does_not_answer_what_its_forerunner_was_asked():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(1)
            await mount.do(Unpark(), 5)
            asking = asyncio.create_task(mount.do(Slew(ra_deg=100, dec_deg=40), 300))
            await rig.clock.sleep(1)
            rig.buses["mount"].drop()
            await rig.hosts["mount"].__aexit__(None, None, None)
            async with toy_host(rig) as host:
                await asyncio.wait([asking])
                error, took_s = asking.exception(), rig.clock.mono() - 2
                await rig.clock.sleep(60)
                begun = host.driver.state().ra_deg
            await mount.stop()
            return type(error), took_s, begun

    error, took_s, begun = run_virtual(main)
    assert error is DeviceLostError
    assert took_s <= 1.0
    assert begun == 0.0
