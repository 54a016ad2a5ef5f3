"""Runs a real night: over MQTT, with a process for each device."""

from __future__ import annotations

from contextlib import AsyncExitStack

from midwatch.bus import Topics
from midwatch.clock import Clock, ScaledClock, SteadyClock, WallClock
from midwatch.imaging import ProcessMeasurer
from midwatch.orders.reading import Night
from midwatch.planning import plan_night, require_a_target
from midwatch.runtime.night import Hear, NightOutcome, Stage, conduct
from midwatch.runtime.real.device_processes import DeviceProcesses
from midwatch.runtime.real.run_options import RunOptions
from midwatch.sky import Observer, evening_at
from midwatch.tasks import Tasks

# Real seconds that devices just started may take to come up. Less, and on a small or busy machine a
# night begins with faults of devices that are only still starting; more, and one that is really
# gone is found out late.
_ARRIVAL_S = 90.0


async def run(night: Night, options: RunOptions, on_event: Hear | None = None) -> NightOutcome:
    """Run a night over MQTT; cancel it, or order ``close``, to end it early.

    Raises:
        UnreachableError: the broker cannot be reached.
    """
    clock: Clock = SteadyClock(WallClock())
    if options.speed != 1.0 or options.start is not None:
        clock = ScaledClock(options.start or clock.now(), options.speed, options.anchor_unix_s)
    evening = options.evening or night.orders.evening
    if evening is None:
        evening = evening_at(Observer(night.place), clock.unix_s(), night.site.timezone)
    plan = plan_night(night, evening)
    require_a_target(night, plan)
    topics = Topics(night.site.name, night.rig.name)
    seed = night.orders.seed if options.seed is None else options.seed
    tasks = options.tasks or Tasks(clock)
    async with AsyncExitStack() as stack:
        settings = options.bus
        if settings.embedded:
            from midwatch.bus.mqtt import EmbeddedBroker

            broker = await stack.enter_async_context(EmbeddedBroker())
            settings = broker.settings
        processes = None
        if options.spawn_devices:
            processes = DeviceProcesses(night, settings, clock, seed, options, tasks=tasks)
            await stack.enter_async_context(processes)
        from midwatch.bus.mqtt import MqttBus

        measurer = ProcessMeasurer()
        stack.push_async_callback(measurer.close)
        stage = Stage(
            clock=clock,
            bus=MqttBus(settings, "midwatch-daemon", clock, seed=seed, tasks=tasks),
            topics=topics,
            measurer=measurer,
            data_folder=options.data_folder,
            seed=seed,
            rehearsal=False,
            sky_mode=None,
            hear=on_event,
            arrival_s=_ARRIVAL_S * options.speed if options.spawn_devices else 0.0,
            declared=night,
            tasks=tasks,
            speed=options.speed,
            supervisor=processes,
            turned_away=options.turned_away,
        )
        return await conduct(night, plan, stage)
