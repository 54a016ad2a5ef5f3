"""A device whose process is told to end is left at rest."""

from __future__ import annotations

from midwatch.devices.contract import DeviceError
from midwatch.devices.contract.kinds import Slew, Unpark
from midwatch.virtual_time import run_virtual
from support.device_toys import Kind, ToyMount, toy_rig


def test_a_mount_under_way_is_parked_while_the_daemon_still_holds_its_lease() -> None:
    class Sticky(ToyMount):
        tries = 0

        async def make_safe(self, reason: str) -> None:
            self.tries += 1
            if self.tries < 3:
                raise DeviceError("the clutch slips", retryable=True)
            await super().make_safe(reason)

    async def main() -> tuple[ToyMount, bool, float]:
        async with toy_rig(Kind.MOUNT, factories={Kind.MOUNT: Sticky}) as rig:
            mount = rig.client(Kind.MOUNT)
            await mount.start()
            await rig.lease.start()
            await mount.do(Unpark(), 5)
            await mount.do(Slew(ra_deg=10, dec_deg=60), 60)
            began_s = rig.clock.mono()
            await rig.hosts["mount"].rest()
            took_s = rig.clock.mono() - began_s
            await rig.clock.sleep(0.01)  # a message is on its way
            seen = mount.state is not None and mount.state.parked
            await mount.stop()
            return rig.hosts["mount"].driver, seen, took_s

    driver, seen, took_s = run_virtual(main)
    assert driver.state().parked
    assert seen  # on the bus, before the process is gone
    assert (driver.tries, driver.parks) == (3, 1)  # type: ignore[attr-defined]
    assert 30.0 <= took_s < 32.0  # two pauses of 5 s, and 20 s to park


def test_a_device_at_rest_is_let_go_at_once() -> None:
    async def main() -> tuple[int, float]:
        async with toy_rig(Kind.MOUNT) as rig:
            began_s = rig.clock.mono()
            await rig.hosts["mount"].rest()
            return rig.hosts["mount"].driver.parks, rig.clock.mono() - began_s  # type: ignore[attr-defined]

    assert run_virtual(main) == (0, 0.0)
