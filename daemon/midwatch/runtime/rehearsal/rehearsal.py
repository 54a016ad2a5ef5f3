"""Rehearses a night: the real daemon against simulated devices, in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from midwatch.bound import Foresight, Gaps
from midwatch.bus import DisturbedBroker, MemoryBroker, Topics
from midwatch.clock import Clock, ShiftedClock, SteadyClock, VirtualClock, WallClock
from midwatch.devices.host import RigSetting
from midwatch.orders.injected import ScheduledFault
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, plan_night, require_a_target
from midwatch.runtime.night import Hear, NightOutcome, SkyMode, Stage, conduct
from midwatch.runtime.rehearsal.daemon_life import DaemonDeadError, Disk, Life
from midwatch.runtime.rehearsal.fault_stage import FaultStage, Lives
from midwatch.runtime.rehearsal.rehearsed_devices import RehearsedDevices
from midwatch.runtime.rehearsal.rehearsed_person import RehearsedPerson
from midwatch.runtime.simulation import faulty_rig, in_the_way, simulated_rig, with_rare_heartbeats
from midwatch.seeding import device_rng
from midwatch.sky import Observer, evening_at
from midwatch.tasks import end, start
from midwatch.virtual_time import run_virtual

Guest = Callable[[MemoryBroker, Topics, Clock], Coroutine[Any, Any, None]]

# Virtual time starts this long before preparation, so that the wait for it is rehearsed too.
_EARLY_S = 300.0
_BROKER_S = 30.0
_ARRIVAL_S = 30.0


@dataclass(frozen=True)
class RehearsalOptions:
    """How to rehearse; None takes the orders' own seed and evening.

    Attributes:
        faults: what goes wrong.
        guest: another client at the bus, for as long as the night lasts.
        lean: leave frames and journal only, without report and night.json.
        plan: of that evening, if it was made already; None makes it.
        shuffle: seed by which what is due at the same instant is shuffled; 0 keeps the order in
            which it was set.
        undisturbed: gaps between the frames of the night without faults, where they are known.
    """

    seed: int | None
    sky_mode: SkyMode
    data_folder: Path
    evening: date | None
    faults: tuple[ScheduledFault, ...] = ()
    guest: Guest | None = None
    lean: bool = False
    undisturbed: Gaps | None = None
    plan: NightPlan | None = None
    shuffle: int = 0


def rehearse(night: Night, options: RehearsalOptions, on_event: Hear | None = None) -> NightOutcome:
    """Run the whole night in virtual time against simulated devices; blocks until its end."""
    evening = options.evening or night.orders.evening
    if evening is None:
        now_s = WallClock().unix_s()
        evening = evening_at(Observer(night.place), now_s, night.site.timezone)
    seed = night.orders.seed if options.seed is None else options.seed
    declared = night
    rig = faulty_rig(simulated_rig(night.rig, options.sky_mode), options.faults)
    night = replace(night, rig=with_rare_heartbeats(rig) if options.sky_mode == "fast" else rig)
    plan = options.plan or plan_night(night, evening)
    require_a_target(night, plan)
    clock = VirtualClock(datetime.fromtimestamp(plan.prepare_from_s - _EARLY_S, UTC))
    machine = ShiftedClock(clock)
    # A rehearsal without faults of the machine needs no second look at its clock.
    daemon_clock: Clock = SteadyClock(machine) if options.faults else clock
    outcomes: list[NightOutcome] = []

    async def main() -> NightOutcome:
        broker = DisturbedBroker(device_rng(seed, "bus"), _physics)
        disk = Disk()
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        person = RehearsedPerson(broker, setting.topics, daemon_clock, declared, seed)
        async with RehearsedDevices(setting, broker, clock, seed) as devices, person:

            async def live(life: Life) -> None:
                stage = Stage(
                    clock=daemon_clock,
                    bus=life.bus,
                    topics=setting.topics,
                    measurer=life.measurer,
                    data_folder=options.data_folder,
                    seed=seed,
                    rehearsal=True,
                    sky_mode=options.sky_mode,
                    hear=on_event,
                    arrival_s=0.0,
                    declared=declared,
                    tasks=life.tasks,
                    open_journal=life.open_journal,
                    supervisor=devices,
                    lean=options.lean,
                    shuffle=options.shuffle,
                    measure=Foresight(
                        night, plan, options.faults, options.undisturbed, in_the_way(night)
                    ),
                )
                outcomes.append(await conduct(night, plan, stage))

            lives = Lives(lambda: Life(broker, daemon_clock, disk, devices.inform_nobody), live)
            stage = FaultStage(
                options.faults, clock=clock, machine=machine, broker=broker, devices=devices,
                disk=disk, lives=lives, order_by_hand=person.order_by_hand,
            )  # fmt: skip
            others = [start("faults", stage.run())]
            if options.guest is not None:
                visit = options.guest(broker, setting.topics, daemon_clock)
                others.append(start("guest", visit))
            await _run_with(lives, others)
            return outcomes[-1]

    return run_virtual(main, seed=options.shuffle, unheeded=(DaemonDeadError,))


async def _run_with(lives: Lives, others: Sequence[asyncio.Task[None]]) -> None:
    """Live to the end, then end what goes on next to it; a fault in that is raised here."""
    try:
        await lives.run()
    finally:
        await end(*others, reason="the night is over")
    for task in others:
        if not task.cancelled():
            task.result()


def _physics(topic: str) -> bool:
    """Pass on what is no message of the bus: how simulated devices act on each other."""
    return topic.endswith("/event/truth")
