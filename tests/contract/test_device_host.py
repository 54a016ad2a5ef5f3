"""A driver host over real brokers and in real time: the embedded one, and Mosquitto."""

import asyncio
import signal
import sys
from collections.abc import Iterator
from contextlib import AsyncExitStack
from pathlib import Path

import pytest

from contract.bus_benches import EmbeddedBench, MosquittoBench, MqttBench
from midwatch.bus import Caller, CommandError, ErrorKind, Topics
from midwatch.clock import WallClock
from midwatch.devices.client import DeviceClient, FolderSpool, LeaseHolder, fetch
from midwatch.devices.contract.kinds import Expose, MountState, Unpark
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from support.device_toys import PLACE, Kind, ToyCamera, ToyMount
from support.pace import LIMIT_S

TOPICS = Topics("Toy Hill", "Toy Rig")
# Shorter, and a busy machine lets a heartbeat or a renewal come too late; longer, and all wait.
HEARTBEAT_S = 0.8
LEASE_S = 4.0


class QuickMount(ToyMount):
    async def park(self) -> None:
        self.parks += 1
        await self.context.clock.sleep(0.1)
        self.become(parked=True, at_rest=True, tracking=False)


@pytest.fixture(params=[EmbeddedBench, MosquittoBench], ids=["embedded", "mosquitto"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[MqttBench]:
    yield request.param(tmp_path)


def host(bench: MqttBench, kind: Kind, factory, tmp_path: Path) -> DeviceHost:
    return DeviceHost(
        bench.bus(f"host-{kind}"),
        TOPICS,
        bench.clock,
        HostedDevice(
            name=kind.value,
            driver_name="toy",
            factory=factory,
            options={},
            spool=FolderSpool(tmp_path / "spool" / kind.value),
            seed=1,
        ),
        HostSetting(
            place=PLACE,
            heartbeat_s=HEARTBEAT_S,
            lease_s=LEASE_S,
            limits=None,
        ),
    )  # fmt: skip


class Daemon:
    """The daemon's end: bus, caller, lease, clients."""

    def __init__(self, bench: MqttBench, client_id: str = "daemon") -> None:
        self.bus = bench.bus(client_id)
        self.caller = Caller(self.bus, TOPICS, bench.clock, 1)
        self.lease = LeaseHolder(self.bus, TOPICS, bench.clock, "daemon", LEASE_S)
        self.clock = bench.clock

    def client(self, kind: Kind) -> DeviceClient:
        return DeviceClient(
            self.bus, TOPICS, self.caller, self.clock, kind.value, kind, HEARTBEAT_S, self.lease
        )

    async def enter(self, stack: AsyncExitStack, *clients: DeviceClient) -> None:
        await stack.enter_async_context(self.bus)
        await self.bus.wait_connected(LIMIT_S)
        await stack.enter_async_context(self.caller)
        for client in clients:
            await client.start()
            stack.push_async_callback(client.stop)
            await up(client, self.clock)


async def up(client: DeviceClient, clock: WallClock, down: bool = False) -> None:
    async with clock.timeout(LIMIT_S):
        while client.down is not down:
            await clock.sleep(0.02)


def test_commands_frames_lease_and_silence_over_a_real_broker(bench, tmp_path):
    async def main():
        async with AsyncExitStack() as stack:
            hosts = [host(bench, Kind.MOUNT, QuickMount, tmp_path)]
            hosts.append(host(bench, Kind.CAMERA, ToyCamera, tmp_path))
            for each in hosts:
                await stack.enter_async_context(each)
            daemon = Daemon(bench)
            mount, camera = daemon.client(Kind.MOUNT), daemon.client(Kind.CAMERA)
            await daemon.enter(stack, mount, camera)
            with pytest.raises(CommandError) as early:
                await mount.do(Unpark(), LIMIT_S)
            await daemon.lease.start()
            await mount.do(Unpark(), LIMIT_S)
            parked = mount.state.parked
            ref = await camera.do(Expose(exposure_id="e", frame="light", exposure_s=0.1), LIMIT_S)
            pixels = fetch(ref)
            await bench.clock.sleep(1.5 * LEASE_S)
            kept_going = hosts[0].driver.parks
            made_safe = asyncio.Event()
            mount.on_event(lambda name, _: made_safe.set() if name == "made_safe" else None)
            began = bench.clock.mono()
            await daemon.lease.stop()
            async with bench.clock.timeout(LIMIT_S):
                await made_safe.wait()
            return early.value.kind, parked, pixels.shape, kept_going, (
                bench.clock.mono() - began
            ), hosts[0].driver.now  # fmt: skip

    kind, parked, shape, kept_going, took_s, state = bench.run(main)
    assert kind is ErrorKind.NO_LEASE
    assert parked is False
    assert shape == (6, 8)
    assert kept_going == 0
    # The last renewal was at most a quarter of a lease old.
    assert took_s > 0.7 * LEASE_S
    assert state == MountState(connected=True, parked=True, at_rest=True, dec_deg=90.0)


def test_a_restarted_broker_hears_everything_again(bench, tmp_path):
    async def main():
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(host(bench, Kind.MOUNT, QuickMount, tmp_path))
            daemon = Daemon(bench)
            mount = daemon.client(Kind.MOUNT)
            await daemon.enter(stack, mount)
            await bench.stop_broker()
            await up(mount, bench.clock, down=True)
            await bench.start_broker()
            await up(mount, bench.clock)
            late = Daemon(bench, "late")
            second = late.client(Kind.MOUNT)
            await late.enter(stack, second)
            return second.about.driver, second.state.parked

    assert bench.run(main) == ("toy", True)


HOST = """
import asyncio, sys
from pathlib import Path
from contract.test_device_host import *
from midwatch.bus import BrokerSettings
from midwatch.bus.mqtt import MqttBus

pytestmark = pytest.mark.real_time

class Here:
    clock = WallClock()
    def bus(self, name):
        return MqttBus(BrokerSettings(port=int(sys.argv[1]), keepalive_s=5), name, self.clock)

async def main():
    async with host(Here(), Kind.CAMERA, ToyCamera, Path(sys.argv[2])):
        await asyncio.Event().wait()

asyncio.run(main())
"""


def test_a_killed_host_goes_down_and_its_successor_still_has_the_frame(bench, tmp_path):
    async def start() -> asyncio.subprocess.Process:
        here = Path(__file__).parent
        return await asyncio.create_subprocess_exec(
            sys.executable, "-c", HOST, str(bench.port), str(tmp_path),
            env={"PYTHONPATH": str(here.parent)},
        )  # fmt: skip

    async def main():
        async with AsyncExitStack() as stack:
            first = await start()
            daemon = Daemon(bench)
            camera = daemon.client(Kind.CAMERA)
            await daemon.enter(stack, camera)
            await daemon.lease.start()
            stack.push_async_callback(daemon.lease.stop)
            ref = await camera.do(Expose(exposure_id="e", frame="light", exposure_s=0.1), LIMIT_S)
            first.send_signal(signal.SIGKILL)
            await first.wait()
            await up(camera, bench.clock, down=True)
            said = camera.online
            second = await start()
            await up(camera, bench.clock)
            answer = await daemon.caller.call("camera", "list_waiting", {}, timeout_s=LIMIT_S)
            second.send_signal(signal.SIGKILL)
            await second.wait()
            return ref, answer, said

    ref, answer, _ = bench.run(main)
    assert [frame["sha256"] for frame in answer["frames"]] == [ref.sha256]
    assert fetch(ref).shape == (6, 8)
