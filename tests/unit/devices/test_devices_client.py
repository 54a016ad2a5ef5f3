import asyncio
import json
import math
from dataclasses import replace

import pytest
from structlog.testing import capture_logs

from midwatch.bus import (
    About,
    CommandError,
    ErrorKind,
    MemoryBroker,
    MemoryBus,
    Online,
    StateEnvelope,
)
from midwatch.devices.client import RigClient
from midwatch.devices.contract import DeviceError, Stop
from midwatch.devices.contract.kinds import (
    Expose,
    FocuserState,
    ListWaiting,
    MountState,
    Slew,
    Track,
    Unpark,
)
from midwatch.devices.host import DeviceHost
from midwatch.devices.host.driver_host import DriverStartError
from midwatch.sky import Horizon, MountLimits
from midwatch.virtual_time import run_virtual
from support.device_toys import Kind, ToyCamera, ToyMount, toy_rig


def test_the_state_comes_at_each_heartbeat_and_on_change_numbered_and_stamped():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            states = rig.bus.subscribe(rig.topics.state("mount"))
            await rig.clock.sleep(25)
            await rig.client(Kind.MOUNT).do(Unpark(), 5)
            await rig.clock.sleep(10)
            states.close()
            return [StateEnvelope.model_validate_json(m.payload) async for m in states]

    envelopes = run_virtual(main)
    # The second is for whoever has just taken the lease.
    assert [e.seq for e in envelopes] == [1, 2, 3, 4, 5, 6]
    times = [(e.at - envelopes[0].at).total_seconds() for e in envelopes]
    assert times == pytest.approx([0, 0, 10, 20, 25, 30])
    assert [e.state["parked"] for e in envelopes] == [True, True, True, True, False, False]


def test_what_is_retained_describes_the_device():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            kept = rig.bus.subscribe(f"{rig.topics.root}/mount/+")
            messages = {m.topic.rpartition("/")[2]: m async for m in _now(kept)}
            return (
                About.model_validate_json(messages["about"].payload),
                Online.model_validate_json(messages["online"].payload),
                all(m.retain for m in messages.values()),
            )

    about, online, retained = run_virtual(main)
    assert retained
    assert (about.kind, about.driver, about.limits) == ("mount", "toy", {"slew_rate_deg_s": 4.0})
    assert about.units["ra_deg"] == "deg"
    assert {"slew", "park", "stop", "make_safe"} <= set(about.commands)
    assert (online.online, online.driver, online.contract) == (True, "toy", 1)


async def _now(subscription):
    subscription.close()
    async for message in subscription:
        yield message


def test_everything_is_published_again_after_the_broker_lost_it():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(Kind.MOUNT, broker=broker) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(1)
            broker.stop()
            rig.hosts["mount"].driver.become(ra_deg=123.0)
            rig.hosts["mount"].driver.context.emit("turned", {"by_deg": 123.0})
            seen = []
            mount.on_event(lambda name, facts: seen.append((name, dict(facts))))
            await rig.clock.sleep(45)
            down = mount.down
            await broker.start()
            await rig.clock.sleep(1)
            topics = [rig.topics.about, rig.topics.online, rig.topics.state]
            kept = [broker.retained(topic("mount")) is not None for topic in topics]
            state = mount.state
            await mount.stop()
            return down, kept, mount.down, state.ra_deg, seen

    down, kept, down_after, ra_deg, seen = run_virtual(main)
    assert down
    assert kept == [True, True, True]
    assert not down_after
    assert ra_deg == 123.0
    assert seen == [("turned", {"by_deg": 123.0})]


def test_a_state_of_which_the_driver_did_not_tell_comes_before_the_answer():
    class Quiet(ToyMount):
        def become(self, **changes):
            self.now = self.now.model_copy(update=changes)

        async def track(self, on):
            self.become(tracking=on)
            raise DeviceError("the motor is hot")

    async def main():
        async with toy_rig(Kind.MOUNT, factories={Kind.MOUNT: Quiet}) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await mount.do(Unpark(), 5)
            parked = mount.state.parked
            with pytest.raises(CommandError):
                await mount.do(Track(on=True), 5)
            await rig.clock.sleep(0.1)
            await mount.stop()
            return parked, mount.state.tracking

    assert run_virtual(main) == (False, True)


def test_a_silent_device_is_down_after_three_heartbeats_and_a_dead_one_at_once():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig:
            mount, camera = rig.client(Kind.MOUNT), rig.client(Kind.CAMERA)
            before = mount.down, mount.age_s(), mount.state
            await mount.start()
            await camera.start()
            await rig.clock.sleep(5)
            up = mount.down, mount.online, round(mount.age_s(), 6)
            rig.buses["mount"].cut()
            rig.buses["camera"].drop()
            await rig.clock.sleep(24)
            nearly = mount.down, camera.down, camera.online
            await rig.clock.sleep(2)
            late = mount.down, mount.online
            await rig.buses["mount"].restore()
            await rig.clock.sleep(1)
            again = mount.down
            await mount.stop()
            await camera.stop()
            return before, up, nearly, late, again

    before, up, nearly, late, again = run_virtual(main)
    assert before == (True, math.inf, None)
    assert up == (False, True, 5)
    assert nearly == (False, True, False)
    assert late == (True, True)
    assert again is False


def test_a_kept_state_of_a_host_long_gone_does_not_count_as_heard():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            await rig.clock.sleep(15)
            rig.buses["mount"].cut()
            await rig.clock.sleep(100)
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(0)
            found = mount.online, mount.down, mount.state is not None, mount.age_s()
            await mount.stop()
            return found

    online, down, known, age_s = run_virtual(main)
    assert online
    assert down
    assert known
    assert age_s == pytest.approx(105)


def test_listeners_hear_changes_but_not_heartbeats_and_their_errors_are_theirs():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            heard = []

            def broken():
                raise RuntimeError("a bug of the listener")

            mount.listen(broken)
            stop = mount.listen(lambda: heard.append(mount.state and mount.state.parked))
            await mount.start()
            await rig.clock.sleep(45)
            quiet = len(heard)
            await mount.do(Unpark(), 5)
            stop()
            rig.hosts["mount"].driver.become(tracking=True)
            await rig.clock.sleep(1)
            await mount.stop()
            return quiet, heard, mount.state.tracking

    with capture_logs() as logs:
        quiet, heard, tracking = run_virtual(main)
    assert quiet == 3  # about, online, state
    assert heard[quiet:] == [False]
    assert tracking
    assert {entry["event"] for entry in logs} == {"device_listener_failed"}


def test_waiting_for_a_state_ends_with_it_or_in_time():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            with pytest.raises(TimeoutError):
                await mount.until(lambda state: state.tracking, 20)
            waited = rig.clock.mono()
            task = asyncio.create_task(mount.until(lambda state: not state.parked, 20))
            await mount.do(Unpark(), 5)
            state = await task
            await mount.stop()
            return waited, state.parked

    assert run_virtual(main) == (pytest.approx(20), False)


def test_nonsense_from_a_device_is_counted_and_does_not_renew_it():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(1)
            rig.buses["mount"].cut()
            good = mount.state
            topic = rig.topics.state("mount")
            at = "2027-03-10T20:00:00Z"
            known = good.model_dump_json().encode()
            for body in (
                b"", b"\xff", b"[]", b'{"seq":1,"state":{}}',
                json.dumps({"seq": 9, "at": at, "state": {"ra_deg": "east"}}).encode(),
                json.dumps({"seq": 9, "at": at, "state": {"colour": 1}}).encode(),
                b'{"seq":-1,"at":"' + at.encode() + b'","state":' + known + b"}",
            ):  # fmt: skip
                await rig.bus.publish(topic, body)
            wrong_kind = About(kind="camera").model_dump_json().encode()
            await rig.bus.publish(rig.topics.about("mount"), wrong_kind)
            await rig.clock.sleep(40)
            await mount.stop()
            return mount.malformed, mount.state == good, mount.down

    with capture_logs():
        assert run_virtual(main) == (8, True, True)


def test_another_order_of_the_envelope_is_understood_too():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.clock.sleep(1)
            state = MountState(ra_deg=5.0).model_dump(mode="json")
            for seq in (100, 101):
                body = json.dumps({"state": state, "at": "2027-03-10T20:00:01Z", "seq": seq})
                await rig.bus.publish(rig.topics.state("mount"), body.encode())
            await rig.clock.sleep(0)
            await mount.stop()
            return mount.state.ra_deg, mount.malformed

    assert run_virtual(main) == (5.0, 0)


def test_an_answer_of_the_wrong_shape_is_an_error():
    class Liar(ToyCamera):
        async def perform(self, command):
            return MountState()

    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Liar}) as rig:
            with pytest.raises(CommandError) as caught:
                await rig.client(Kind.CAMERA).do(ListWaiting(), 5)
            return caught.value

    error = run_virtual(main)
    assert error.kind is ErrorKind.MALFORMED
    assert "Waiting" in error.message


def test_events_travel_from_driver_to_driver_and_to_the_daemon():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig:
            camera = rig.client(Kind.CAMERA)
            seen = []
            camera.on_event(lambda name, facts: seen.append((name, dict(facts))))
            await camera.start()
            mount = rig.hosts["mount"].driver
            mount.context.emit("truth", {"ra_deg": 12.5, "tracking": True})
            mount.context.emit("other", {"pair": (1, 2), "at": rig.clock.now()})
            with pytest.raises(ValueError, match="serialize"):
                mount.context.emit("other", {"what": object()})
            await rig.bus.publish(rig.topics.event("mount", "truth"), b"nonsense")
            mount.context.emit("truth", {"ra_deg": 13.5, "tracking": False})
            await rig.clock.sleep(2)
            await camera.stop()
            return rig.hosts["camera"].driver.truths, seen

    with capture_logs():
        truths, seen = run_virtual(main)
    assert truths == [{"ra_deg": 12.5, "tracking": True}, {"ra_deg": 13.5, "tracking": False}]
    assert seen == [("ready", {"after_s": 1.0})]


def test_a_failing_task_of_a_driver_is_reported_and_ends_nothing_else():
    class Broken(ToyCamera):
        async def tick(self):
            await self.context.clock.sleep(1)
            raise OSError("the cable fell out")

    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Broken}) as rig:
            camera = rig.client(Kind.CAMERA)
            seen = []
            camera.on_event(lambda name, facts: seen.append((name, dict(facts))))
            await camera.start()
            await rig.clock.sleep(60)
            await camera.stop()
            return seen, camera.down

    with capture_logs():
        seen, down = run_virtual(main)
    assert seen == [("driver_task_failed", {"task": "first light", "error": "the cable fell out"})]
    assert not down


def test_a_driver_that_cannot_tell_its_state_falls_silent():
    class Mute(ToyCamera):
        def state(self):
            if self.context.clock.mono() > 5:
                raise OSError("no answer")
            return super().state()

    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Mute}) as rig:
            camera = rig.client(Kind.CAMERA)
            await camera.start()
            await rig.clock.sleep(45)
            down = camera.down
            await camera.stop()
            return down

    with capture_logs():
        assert run_virtual(main) is True


def test_a_mount_that_cannot_tell_its_state_can_still_be_stopped_and_is_made_safe():
    class Mute(ToyMount):
        mute = False

        def state(self):
            if self.mute:
                raise OSError("no answer")
            return super().state()

    async def main():
        limits = MountLimits(horizon=Horizon.flat(10.0))
        mute = toy_rig(Kind.MOUNT, factories={Kind.MOUNT: Mute}, limits=limits)
        async with mute as rig:
            await rig.clock.sleep(1)
            driver = rig.hosts["mount"].driver
            driver.now = driver.now.model_copy(update={"tracking": True, "at_rest": False})
            driver.mute = True
            await rig.client(Kind.MOUNT).do(Stop(), 5)
            stopped = not driver.now.tracking
            await rig.clock.sleep(100)
            return stopped, driver.parks

    with capture_logs():
        stopped, parks = run_virtual(main)
    assert stopped
    assert parks >= 1


def test_the_same_seed_gives_the_same_messages_byte_for_byte():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig, rig.lease:
            everything = rig.bus.subscribe("#")
            mount, camera = rig.client(Kind.MOUNT), rig.client(Kind.CAMERA)
            await mount.do(Unpark(), 5)
            expose = Expose(exposure_id="e1", frame="light", exposure_s=20)
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(mount.do(Slew(ra_deg=100, dec_deg=40), 60))
                tasks.create_task(camera.do(expose, 60))
            await rig.clock.sleep(600)
            everything.close()
            return [(m.topic, m.payload) async for m in everything]

    first, second = run_virtual(main), run_virtual(main)
    assert len(first) > 150
    assert first == second


def test_leaving_says_offline_closes_the_driver_and_cancels_what_runs():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(Kind.MOUNT, broker=broker) as rig:
            driver = rig.hosts["mount"].driver
            topic = rig.topics.online("mount")
        return driver.closed, Online.model_validate_json(broker.retained(topic)).online

    assert run_virtual(main) == (True, False)


def test_a_killed_host_is_known_by_its_last_will():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(Kind.MOUNT, broker=broker) as rig:
            rig.buses["mount"].drop()
            return Online.model_validate_json(broker.retained(rig.topics.online("mount"))).online

    assert run_virtual(main) is False


def test_options_that_a_driver_refuses_are_an_error_of_the_input():
    def picky(context):
        raise ValueError("slew_rate_deg_s: 0 is not allowed; write a number above 0")

    async def main():
        with pytest.raises(DriverStartError) as caught:
            async with toy_rig(Kind.MOUNT, factories={Kind.MOUNT: picky}):
                pass
        return str(caught.value)

    message = run_virtual(main)
    assert "mount" in message
    assert "slew_rate_deg_s" in message


def test_a_rig_knows_who_is_missing_and_notices_silence_by_itself():
    async def main():
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig, rig.lease:
            client = RigClient(
                rig.bus, rig.topics, rig.caller, rig.clock, ["camera", "mount", "focuser"], 10.0,
                rig.lease,
            )  # fmt: skip
            async with client:
                missing = await client.wait_online(20)
                waited = rig.clock.mono()
                await client.mount.do(Unpark(), 5)
                parked = client.mount.state.parked
                changes = []
                client.camera.listen(lambda: changes.append((rig.clock.mono(), client.camera.down)))
                rig.buses["camera"].cut()
                await rig.clock.sleep(60)
            return missing, waited, parked, changes, list(client.devices), client.guider

    missing, waited, parked, changes, roles, guider = run_virtual(main)
    assert missing == ("focuser",)
    assert waited == pytest.approx(20)
    assert parked is False
    assert [down for _, down in changes] == [True]
    assert 30 < changes[0][0] - 20 <= 41
    assert roles == ["mount", "camera", "focuser"]
    assert guider is None


def test_waiting_for_a_rig_ends_as_soon_as_all_are_there():
    async def main():
        async with (
            toy_rig(Kind.MOUNT, Kind.CAMERA) as rig,
            RigClient(
                rig.bus, rig.topics, rig.caller, rig.clock, ["camera", "mount", "focuser"], 10.0
            ) as client,
        ):
            waiting = asyncio.create_task(client.wait_online(100))
            await rig.clock.sleep(7)
            online = Online(online=True, since=rig.clock.now(), driver="x")
            state = StateEnvelope(
                seq=1, at=rig.clock.now(), state=FocuserState().model_dump(mode="json")
            )
            await rig.bus.publish(rig.topics.online("focuser"), online.model_dump_json().encode())
            await rig.bus.publish(rig.topics.state("focuser"), state.model_dump_json().encode())
            return await waiting, rig.clock.mono()

    assert run_virtual(main) == ((), pytest.approx(7))


def test_a_rig_needs_mount_camera_and_focuser():
    async def main():
        async with toy_rig() as rig:
            with pytest.raises(ValueError, match="focuser"):
                RigClient(rig.bus, rig.topics, rig.caller, rig.clock, ["mount", "camera"], 10.0)

    run_virtual(main)


def test_a_host_needs_a_bus_of_its_own():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig:
            used = MemoryBus(MemoryBroker(), "used")
            async with used:
                old = rig.hosts["mount"]
                host = DeviceHost(used, rig.topics, rig.clock, old._device, old._setting)
                with pytest.raises(RuntimeError, match="before the bus is entered"):
                    await host.__aenter__()

    run_virtual(main)


def test_the_last_account_of_each_ended_life_of_a_driver_is_handed_over_once():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            kept = rig.bus.subscribe(rig.topics.about("mount"))
            (about,) = [message async for message in _now(kept)]
            for since_s, count in ((100.0, 1), (100.0, 2), (200.0, 3), (300.0, 4), (300.0, 5)):
                facts = json.loads(about.payload)
                facts["account"] |= {"since_utc_s": since_s, "counts": {"duplicate": count}}
                mount.offer(replace(about, payload=json.dumps(facts).encode()))
            ended = mount.take_earlier_accounts()
            again = mount.take_earlier_accounts()
            return [a.counts["duplicate"] for a in ended], again, mount.account.counts

    assert run_virtual(main) == ([2, 3], (), {"duplicate": 5})


def test_a_host_that_ends_publishes_what_of_its_account_was_still_news():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(Kind.MOUNT, broker=broker) as rig, rig.lease:
            await rig.clock.sleep(60)
            await rig.client(Kind.MOUNT).do(Unpark(), 5)  # and at once the host ends
            topic = rig.topics.about("mount")
        async with MemoryBus(broker, "later") as bus:
            (about,) = [message async for message in _now(bus.subscribe(topic))]
            return About.model_validate_json(about.payload).account["senders"]

    assert run_virtual(main) == ["daemon"]
