"""The real centring duty on a simulated rig: hosts, bus, journal, frame taker, in virtual time."""

from __future__ import annotations

import dataclasses
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import yaml

from midwatch.bus import Caller, MemoryBroker, MemoryBus
from midwatch.clock import VirtualClock
from midwatch.devices.client import LeaseHolder, MemorySpool, RigClient
from midwatch.devices.contract import Connect
from midwatch.devices.contract.kinds import OpenRoof, Slew, Unpark
from midwatch.devices.host import RigSetting, device_host
from midwatch.imaging import InlineMeasurer
from midwatch.journal.facts import Centred, Notice
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Journal
from midwatch.orders.reading import load_night
from midwatch.runtime.night import night_limits
from midwatch.sequencer.camera import FrameAnalysis, FrameTaker
from midwatch.sequencer.decision import CentreArgs
from midwatch.sequencer.duties import DutyContext, DutyFailedError
from midwatch.sky import Observer, pixel_scale_arcsec
from midwatch.virtual_time import run_virtual
from midwatch_plugins.duties.centring import Centre

R = TypeVar("R")
ROOT = Path(__file__).parent.parent.parent
# An hour before the meridian, high in the evening sky of the site.
EVENING = datetime(2027, 3, 10, 20, 0, tzinfo=UTC)
TARGET = {"name": "Field", "ra": 130.0, "dec": 40.0, "frames": [{"filter": "L", "exposure_s": 60, "count": 1}]}  # fmt: skip  # noqa: E501


@dataclass
class Outcome:
    """What came of a centring."""

    centred: Centred
    failure: DutyFailedError | None
    notices: list[str]
    truth: Any
    rotator_deg: float | None = None
    believed_deg: tuple[float, float] = (0.0, 0.0)
    syncs: int = 0
    seconds: float = 0.0


@dataclass
class Rig:
    """The rig of a night, as files say it; change what a test is about."""

    sky: str = "fast"
    rig: dict[str, Any] = field(default_factory=dict)
    target: dict[str, Any] = field(default_factory=dict)
    camera: dict[str, Any] = field(default_factory=dict)
    devices: dict[str, Any] = field(default_factory=dict)
    centring: dict[str, Any] = field(default_factory=dict)
    optics: dict[str, Any] = field(default_factory=dict)
    others: list[dict[str, Any]] = field(default_factory=list)

    def write(self, folder: Path) -> Path:
        rig = yaml.safe_load((ROOT / "configs/rigs/harrier.yaml").read_text())
        camera = rig["devices"]["camera"]["options"]
        camera.update({"sky_mode": self.sky, **self.camera})
        rig["devices"].pop("guider")
        for role, options in self.devices.items():
            entry = rig["devices"].setdefault(role, {"driver": f"simulated-{role}"})
            entry.setdefault("options", {}).update(options)
        rig["centring"].update(self.centring)
        rig["optics"].update(self.optics)
        rig.update(self.rig)
        (folder / "rig.yaml").write_text(yaml.safe_dump(rig))
        orders = {
            "site": str(ROOT / "configs/sites/larch-hollow.yaml"),
            "rig": "rig.yaml",
            "evening": "2027-03-10",
            "targets": [{**TARGET, **self.target}, *self.others],
        }
        (folder / "orders.yaml").write_text(yaml.safe_dump(orders))
        return folder / "orders.yaml"


Prepare = Callable[[DutyContext], Awaitable[None]]


def centred(
    folder: Path,
    rig: Rig | None = None,
    prepare: Prepare | None = None,
    *,
    off_deg: float = 0.0,
    roof_open: bool = True,
    seed: int = 5,
) -> Outcome:
    """Slew near the target, perform the duty once, and tell what came of it.

    Args:
        folder: for files.
        rig: what is unusual about the rig.
        prepare: brought about just before the duty.
        off_deg: how far from the target the mount is in truth, while it believes to be there.
        roof_open: whether the roof was opened before.
        seed: of the simulated devices.
    """

    async def act(context: DutyContext, drivers: dict[str, Any]) -> Outcome:
        driver = drivers["mount"]
        if context.rig.roof is not None and roof_open:
            await context.rig.roof.do(OpenRoof(), 200.0)
        target = context.night.targets[0]
        await context.rig.mount.do(Unpark(), 30.0)
        ra_deg, true_dec_deg = target.position_at(context.now_s)
        dec_deg = true_dec_deg - off_deg
        await context.rig.mount.do(Slew(ra_deg=ra_deg, dec_deg=dec_deg), 300.0)
        if off_deg:
            # It takes where it is for the target: as after a wrong alignment.
            driver._body.sync(ra_deg, true_dec_deg)
            driver.inform()
        if prepare is not None:
            await prepare(context)
        return await _perform(context, driver)

    return on_rig(folder, rig or Rig(), act, seed)


def on_rig(
    folder: Path,
    rig: Rig,
    act: Callable[[DutyContext, dict[str, Any]], Awaitable[R]],
    seed: int = 5,
) -> R:
    """Do something with the connected devices of a rig, and with their simulated drivers."""
    night = load_night(rig.write(folder))
    clock = VirtualClock(EVENING)

    async def main() -> R:
        broker, drivers = MemoryBroker(), {}
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        async with AsyncExitStack() as stack:
            for role in night.rig.devices.present():
                spool = MemorySpool(role)
                stack.callback(spool.close)
                bus = MemoryBus(broker, role)
                host = device_host(role, setting, bus=bus, clock=clock, seed=seed, spool=spool)
                await stack.enter_async_context(host)
                drivers[role] = host.driver  # type: ignore[attr-defined]
            context = await _context(stack, night, broker, setting, clock, folder)
            for client in context.rig.devices.values():
                await client.do(Connect(), 60.0)
            return await act(context, drivers)

    result: R = run_virtual(main)
    return result


async def _perform(context: DutyContext, driver: Any) -> Outcome:
    syncs = 0
    seen = driver._body.sync

    def count(*place: float) -> Any:
        nonlocal syncs
        syncs += 1
        return seen(*place)

    driver._body.sync = count
    failure, began = None, context.clock.mono()
    try:
        await Centre().perform(context, CentreArgs(target=context.night.targets[0].name))
    except DutyFailedError as error:
        failure = error
    facts = [event.fact for event in context.journal.events()]
    rotator = context.rig.rotator
    state = context.mount_state()
    return Outcome(
        centred=[fact for fact in facts if isinstance(fact, Centred)][-1],
        failure=failure,
        notices=[fact.message for fact in facts if isinstance(fact, Notice)],
        truth=driver.truth(),
        rotator_deg=rotator.state.angle_deg if rotator is not None and rotator.state else None,
        believed_deg=(state.ra_deg, state.dec_deg),
        syncs=syncs,
        seconds=context.clock.mono() - began,
    )


async def _context(
    stack: AsyncExitStack, night: Any, broker: Any, setting: RigSetting, clock: Any, folder: Path
) -> DutyContext:
    bus = await stack.enter_async_context(MemoryBus(broker, "midwatch"))
    caller = await stack.enter_async_context(Caller(bus, setting.topics, clock, 1))
    lease = await stack.enter_async_context(
        LeaseHolder(bus, setting.topics, clock, "bench", night.rig.bus.lease_s)
    )
    roles = night.rig.devices.present()
    rig = RigClient(bus, setting.topics, caller, clock, roles, night.rig.bus.heartbeat_s, lease)
    await stack.enter_async_context(rig)
    assert not await rig.wait_online(30.0)
    journal = Journal.open(folder / "journal.sqlite", clock, durable=False)
    stack.callback(journal.close)
    journal.begin_night("2027-03-10")
    record = NightRecord.from_events([])
    journal.listen(record.apply)
    measurer, observer = InlineMeasurer(), Observer(night.place)
    scale = pixel_scale_arcsec(night.rig.camera.pixel_um, night.rig.optics.focal_length_mm)
    analysis = FrameAnalysis(measurer, scale)
    numbers = iter(range(1, 1000))
    frame_taker = FrameTaker(
        rig.camera, clock, analysis, measurer, folder, durable=False,
        identify=lambda: f"bench-{next(numbers):03d}",
    )  # fmt: skip
    given: dict[str, Any] = {
        "clock": clock, "night": night, "rig": rig, "record": record, "journal": journal,
        "frame_taker": frame_taker, "analysis": analysis, "observer": observer,
        "limits": night_limits(night),
    }  # fmt: skip
    # What centring never looks at is left out.
    return DutyContext(**{f.name: given.get(f.name) for f in dataclasses.fields(DutyContext)})
