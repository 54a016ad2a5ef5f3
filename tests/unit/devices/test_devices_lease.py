import numpy as np
import pytest

from midwatch.bus import (
    CommandError,
    DisturbedBroker,
    ErrorKind,
    Lease,
    MemoryBroker,
    Message,
    encode,
)
from midwatch.clock import VirtualClock
from midwatch.devices.client import LeaseHolder, LeaseWatch
from midwatch.devices.contract import DeviceError
from midwatch.devices.contract.kinds import Cool, Slew, Track, Unpark
from midwatch.virtual_time import run_virtual
from support.device_toys import START, Kind, ToyMount, toy_rig


def lease(clock, holder, ttl_s, seq=1) -> Message:
    return Message("lease", encode(Lease(holder=holder, seq=seq, at=clock.now(), ttl_s=ttl_s)))


def events_of(rig, kind):
    heard = []
    client = rig.client(kind)
    client.on_event(lambda name, facts: heard.append((rig.clock.mono(), name, dict(facts))))
    return client, heard


def test_silence_makes_a_moving_mount_safe_without_any_daemon():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            mount, heard = events_of(rig, Kind.MOUNT)
            await mount.start()
            await rig.lease.start()
            await mount.do(Unpark(), 5)
            await mount.do(Slew(ra_deg=10, dec_deg=60), 60)
            await rig.clock.sleep(103)
            await rig.lease.stop()
            last = 15 * (rig.clock.mono() // 15)
            await rig.clock.sleep(59 - (rig.clock.mono() - last))
            tracking = rig.hosts["mount"].driver.state().tracking
            await rig.clock.sleep(300)
            driver = rig.hosts["mount"].driver
            await mount.stop()
            return tracking, driver, [item for item in heard if item[1] != "truth"], last

    tracking, driver, heard, last = run_virtual(main)
    assert tracking
    assert driver.state().parked
    assert not driver.state().tracking
    assert driver.parks == 1
    assert [(at, name) for at, name, _ in heard] == [(pytest.approx(last + 60 + 20), "made_safe")]
    assert heard[0][2]["at_rest"] is True
    assert "60 s" in heard[0][2]["reason"]


def test_a_device_that_is_not_at_rest_at_the_start_is_made_safe_when_no_lease_comes():
    def restless(context):
        mount = ToyMount(context)
        mount.now = mount.now.model_copy(update={"parked": False, "at_rest": False})
        return mount

    async def main():
        async with toy_rig(Kind.MOUNT, factories={Kind.MOUNT: restless}) as rig:
            await rig.clock.sleep(59)
            before = rig.hosts["mount"].driver.parks
            await rig.clock.sleep(30)
            return before, rig.hosts["mount"].driver

    before, driver = run_virtual(main)
    assert before == 0
    assert (driver.parks, driver.now.parked) == (1, True)


def test_making_safe_is_repeated_until_it_works():
    class Stuck(ToyMount):
        async def make_safe(self, reason):
            if self.context.clock.mono() < 200:
                raise DeviceError("the cable is wound up")
            await super().make_safe(reason)

    async def main():
        async with toy_rig(Kind.MOUNT, factories={Kind.MOUNT: Stuck}) as rig:
            mount, heard = events_of(rig, Kind.MOUNT)
            await mount.start()
            await rig.lease.start()
            await mount.do(Unpark(), 5)
            await rig.lease.stop()
            await rig.clock.sleep(300)
            await mount.stop()
            return [name for _, name, _ in heard], rig.hosts["mount"].driver.now.parked

    assert run_virtual(main) == (["make_safe_failed", "made_safe"], True)


def test_a_slow_device_is_reported_again_only_each_minute():
    async def main():
        async with toy_rig(Kind.CAMERA) as rig:
            camera = rig.client(Kind.CAMERA)
            await rig.lease.start()
            await camera.do(Cool(setpoint_c=-10, rate_c_per_min=2), 5)
            await rig.lease.stop()
            await rig.clock.sleep(60 + 600 + 30)
            driver = rig.hosts["camera"].driver
            return driver.warmings, driver.now.at_rest

    warmings, at_rest = run_virtual(main)
    assert at_rest
    assert 1 <= warmings <= 10


def test_a_renewed_lease_keeps_a_device_going():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            await rig.client(Kind.MOUNT).do(Unpark(), 5)
            await rig.clock.sleep(3600)
            return rig.hosts["mount"].driver.parks, rig.hosts["mount"].driver.now.parked

    assert run_virtual(main) == (0, False)


def test_losing_the_bus_makes_safe_too():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            await rig.client(Kind.MOUNT).do(Unpark(), 5)
            await rig.client(Kind.MOUNT).do(Track(on=True), 5)
            rig.buses["mount"].drop()
            await rig.clock.sleep(100)
            return rig.hosts["mount"].driver.now.parked

    assert run_virtual(main) is True


def test_another_daemon_takes_over_only_when_the_lease_has_ended():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            other = LeaseHolder(rig.bus, rig.topics, rig.clock, "other", 60)
            mine, theirs = rig.client(Kind.MOUNT), rig.client(Kind.MOUNT, other)
            await rig.lease.start()
            await other.start()
            with pytest.raises(CommandError) as early:
                await theirs.do(Unpark(), 5)
            await rig.lease.stop()
            await rig.clock.sleep(61 + 15)
            await theirs.do(Unpark(), 5)
            await other.release()
            await rig.lease.start()
            with pytest.raises(CommandError):
                await theirs.do(Unpark(), 5)
            await mine.do(Unpark(), 5)
            return early.value.kind

    assert run_virtual(main) is ErrorKind.NO_LEASE


def test_takeover_rules():
    async def main():
        clock = VirtualClock(START)
        watch = LeaseWatch(clock, 60)
        seen = [watch.held_by("a"), watch.take(lease(clock, "a", 40)), watch.held_by("a")]
        await clock.sleep(39)
        seen += [watch.take(lease(clock, "b", 40)), watch.held_by("b"), watch.held_by("a")]
        await clock.sleep(1)
        seen += [watch.held_by("a"), watch.take(lease(clock, "b", 40)), watch.held_by("b")]
        # Only the holder may release, and a release ends it at once.
        seen += [watch.take(lease(clock, "a", 0)), watch.held_by("b")]
        seen += [watch.take(lease(clock, "b", 0)), watch.held_by("b")]
        seen += [watch.take(lease(clock, "a", 40)), watch.held_by("a"), watch.held_by(None)]
        return seen

    assert run_virtual(main) == [
        False, True, True,
        False, False, True,
        False, True, True,
        False, True,
        True, False,
        True, True, False,
    ]  # fmt: skip


def test_releases_by_a_stranger_do_not_put_off_making_safe():
    async def main():
        clock = VirtualClock(START)
        watch = LeaseWatch(clock, 60)
        watch.take(lease(clock, "a", 60))
        counted = []
        for _ in range(3):
            await clock.sleep(30)
            counted.append(watch.take(lease(clock, "b", 0)))
        return counted, watch.silent_in_s()

    assert run_virtual(main) == ([False, False, False], pytest.approx(-30))


def test_neither_old_messages_nor_stamps_nor_long_lives_prolong_a_lease():
    async def main():
        clock = VirtualClock(START)
        watch = LeaseWatch(clock, 60)
        kept = lease(clock, "a", 60)
        stored = watch.take(Message(kept.topic, kept.payload, retain=True))
        nonsense = watch.take(Message("lease", b"{"))
        early = Lease(holder="a", seq=1, at=START.replace(year=2020), ttl_s=1e9)
        accepted = watch.take(Message("lease", encode(early)))
        await clock.sleep(59)
        held, left = watch.held_by("a"), watch.silent_in_s()
        await clock.sleep(1)
        return stored, nonsense, watch.malformed, accepted, held, left, watch.held_by("a")

    assert run_virtual(main) == (False, False, 1, True, True, pytest.approx(1), False)


def test_the_holder_renews_four_times_in_a_life_and_through_a_lost_bus():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            heard = rig.bus.subscribe(rig.topics.night_lease)
            await rig.lease.start()
            await rig.clock.sleep(61)
            rig.bus.drop()
            await rig.clock.sleep(20)
            await rig.bus.restore()
            await rig.clock.sleep(20)
            await rig.lease.release()
            heard.close()
            return [Lease.model_validate_json(m.payload) async for m in heard], rig.lease.token

    leases, token = run_virtual(main)
    assert [lease.seq for lease in leases] == [1, 2, 3, 4, 5, 7, 8, 9]
    assert [lease.ttl_s for lease in leases] == [60] * 7 + [0]
    assert token is None


def test_devices_tell_who_begins_what_the_broker_may_have_forgotten():
    async def main():
        broker = DisturbedBroker(np.random.default_rng(1), lambda topic: False)
        async with toy_rig(Kind.MOUNT, broker=broker) as rig:
            found = []
            for _ in range(2):
                async with rig.lease:
                    await rig.clock.sleep(1)
                    broker.forget_retained()
                    await rig.clock.sleep(20)  # a renewal that begins nothing
                    kept = broker.retained(rig.topics.about("mount"))
                found.append(kept)
                watch = LeaseHolder(rig.bus, rig.topics, rig.clock, rig.lease.holder, 60)
                async with watch:
                    await rig.clock.sleep(1)
                    found.append(broker.retained(rig.topics.about("mount")))
            return [kept is not None for kept in found]

    assert run_virtual(main) == [False, True, False, True]


def test_a_host_that_came_up_is_reported_of_the_lease_before_it_is_asked():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(broker=broker) as daemon, daemon.lease:
            await daemon.clock.sleep(3)
            async with toy_rig(Kind.MOUNT, broker=broker, client_id="host's own") as rig:
                client = daemon.client(Kind.MOUNT)
                await client.start()
                await daemon.clock.sleep(1)
                await client.do(Unpark(), 5)
                await client.do(Unpark(), 5)
                await client.stop()
                return rig.hosts["mount"].counters.no_lease

    assert run_virtual(main) == 0


def test_a_host_that_came_up_between_two_renewals_is_reported_of_the_lease_when_it_refuses():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(broker=broker) as daemon, daemon.lease:
            await daemon.clock.sleep(1)
            async with toy_rig(Kind.MOUNT, broker=broker, client_id="another") as rig:
                await daemon.client(Kind.MOUNT).do(Unpark(), 5)
                with pytest.raises(CommandError) as caught:
                    await rig.client(Kind.MOUNT).do(Unpark(), 5)
                return rig.hosts["mount"].driver.now.parked, daemon.clock.mono(), caught.value.kind

    assert run_virtual(main) == (False, pytest.approx(1), ErrorKind.NO_LEASE)


@pytest.mark.parametrize("bad", [0, -1, float("nan"), float("inf")])
def test_a_lease_needs_a_length(bad):
    async def main():
        with pytest.raises(ValueError, match="positive"):
            LeaseWatch(VirtualClock(START), bad)

    run_virtual(main)
