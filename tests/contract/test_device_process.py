"""A device hosted as the command line does it: by its name in a rig, over a real broker."""

import asyncio
from contextlib import AsyncExitStack

import pytest

from contract.bus_benches import EmbeddedBench
from midwatch.bus import BrokerSettings, Caller, CommandError, ErrorKind
from midwatch.devices.client import DeviceClient, LeaseHolder
from midwatch.devices.contract import drivers
from midwatch.devices.contract.kinds import Slew, Unpark
from midwatch.devices.host import RigSetting, serve_device
from midwatch.errors import InputError
from midwatch.orders.models import Rig
from midwatch.sky import Horizon
from support.device_toys import PLACE, Kind
from support.pace import LIMIT_S

ENTRY_POINTS = (
    "[midwatch.drivers]\n"
    "toy-mount = support.device_toys:ToyMount\n"
    "toy-camera = support.device_toys:ToyCamera\n"
)


def rig(**devices: str) -> Rig:
    return Rig.model_validate(
        {
            "name": "Toy Rig",
            "optics": {"focal_length_mm": 400, "aperture_mm": 80},
            "devices": {role: {"driver": driver} for role, driver in devices.items()},
            "camera": {"pixel_um": 3.76},
            "focus": {"start_position": 1000, "step": 50},
            "limits": {"min_altitude_deg": 20},
            "bus": {"heartbeat_s": 1},
        }
    )


SETTING = RigSetting(
    rig(mount="toy-mount", camera="toy-camera", focuser="toy-focuser"),
    "Toy Hill",
    PLACE,
    Horizon.flat(10),
)


@pytest.fixture(autouse=True)
def toys_installed(tmp_path, monkeypatch):
    info = tmp_path / "toys-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: toys\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(ENTRY_POINTS)
    monkeypatch.syspath_prepend(str(tmp_path))
    drivers.cache_clear()
    yield
    drivers.cache_clear()


def test_a_mount_is_served_with_the_limits_of_its_rig_until_it_is_stopped(tmp_path):
    bench = EmbeddedBench(tmp_path)

    async def main():
        broker = BrokerSettings(port=bench.port, keepalive_s=5)
        serving = asyncio.create_task(
            serve_device(
                "mount", SETTING, broker=broker, clock=bench.clock, seed=1,
                spool_folder=tmp_path / "spool", stop=asyncio.Event(),
            )
        )  # fmt: skip
        async with AsyncExitStack() as stack:
            bus = await stack.enter_async_context(bench.bus("daemon"))
            topics = SETTING.topics
            await bus.wait_connected(LIMIT_S)
            caller = await stack.enter_async_context(Caller(bus, topics, bench.clock, 1))
            lease = await stack.enter_async_context(
                LeaseHolder(bus, topics, bench.clock, "daemon", 60)
            )
            mount = DeviceClient(bus, topics, caller, bench.clock, "mount", Kind.MOUNT, 1.0, lease)
            await mount.start()
            stack.push_async_callback(mount.stop)
            await mount.until(lambda state: state.connected, LIMIT_S)
            await mount.do(Unpark(), LIMIT_S)
            # Twenty degrees above the south point of a site at 46 N is declination -24.
            with pytest.raises(CommandError) as low:
                await mount.do(Slew(ra_deg=10, dec_deg=-60), LIMIT_S)
            serving.cancel()  # another process takes over: the mount stays as it is
            await asyncio.wait((serving,))
            assert mount.state is not None
            assert not mount.state.parked
            gone = asyncio.Event()
            mount.listen(gone.set)
            async with bench.clock.timeout(LIMIT_S):
                while mount.online:
                    await gone.wait()
                    gone.clear()
            return low.value

    error = bench.run(main)
    assert error.kind is ErrorKind.LIMIT
    assert "altitude" in error.message


@pytest.mark.parametrize(
    ("name", "wanted"),
    [("dome", "has no device 'dome'; it has mount"), ("focuser", "'toy-focuser' is not installed")],
)
def test_what_is_wrong_with_the_rig_is_said(tmp_path, name, wanted):
    async def main():
        with pytest.raises(InputError, match=wanted):
            await serve_device(
                name, SETTING, broker=BrokerSettings(), clock=EmbeddedBench(tmp_path).clock,
                seed=1, spool_folder=tmp_path, stop=asyncio.Event(),
            )  # fmt: skip

    asyncio.run(main())
