"""What a visitor to the bus of a rig can have done."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from midwatch.bus import CommandError, ErrorKind, MemoryBroker
from midwatch.devices.contract.kinds import Unpark
from midwatch.runtime.visit import Visit, command
from midwatch.virtual_time import run_virtual
from support.device_toys import Kind, Rig, ToyMount, toy_rig


@asynccontextmanager
async def early_visit(broker: MemoryBroker) -> AsyncIterator[tuple[Visit, Rig]]:
    """A visitor who holds the lease before any device is there."""
    async with toy_rig(broker=broker, client_id="visitor") as here, here.lease:
        yield Visit(here.bus, here.topics, here.caller, here.clock), here


def test_a_device_that_started_after_the_lease_was_announced_obeys():
    async def main():
        broker = MemoryBroker()
        async with early_visit(broker) as (there, here), toy_rig(Kind.MOUNT, broker=broker) as rig:
            await command(there, "mount", Unpark(), 5.0, here.lease)
            mount = rig.hosts["mount"].driver
            assert isinstance(mount, ToyMount)
            assert not mount.state().parked

    run_virtual(main)


def test_a_device_under_the_lease_of_another_refuses():
    async def main():
        broker = MemoryBroker()
        async with toy_rig(Kind.MOUNT, broker=broker) as rig, rig.lease:
            async with early_visit(broker) as (there, here):
                with pytest.raises(CommandError) as refused:
                    await command(there, "mount", Unpark(), 5.0, here.lease)
            assert refused.value.kind is ErrorKind.NO_LEASE
            assert rig.hosts["mount"].driver.state().parked

    run_virtual(main)
