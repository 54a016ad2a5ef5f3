"""midwatch device: host one device in this process, or talk to one that runs."""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
from contextlib import AbstractAsyncContextManager, AsyncExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import JsonValue

from midwatch.bus import (
    BrokerSettings,
    CallTimeoutError,
    CommandError,
    Online,
    StateEnvelope,
    TlsSettings,
    decode,
)
from midwatch.clock import Clock, ScaledClock, WallClock
from midwatch.devices.client import DeviceClient, LeaseHolder
from midwatch.devices.contract import Command, DeviceState, kind_of
from midwatch.devices.host import RigSetting, command_model, read_command, serve_device
from midwatch.errors import InputError, UnreachableError
from midwatch.instants import in_zone
from midwatch.interface.console import device_words, inform, labelled, say, say_json, table
from midwatch.runtime.files import (
    broker_of,
    find_running,
    load_orders,
    load_rig_at_site,
    read_faults,
)
from midwatch.runtime.service import watched_service
from midwatch.runtime.simulation import faulty_rig, simulated_rig
from midwatch.runtime.visit import RETAINED_S, Visit, retained, visit, visitor

_SIMULATED = "simulated-"


def execute(args: argparse.Namespace) -> int:
    """Host the device, show its state, or have it do something."""
    setting, rig_path, zone = _setting(args)
    if args.name not in setting.rig.devices.present():
        raise InputError(
            f"rig {setting.rig.name!r} has no device {args.name!r}; it has "
            f"{', '.join(setting.rig.devices.present())}"
        )
    broker, clock = _meeting_point(args, setting, rig_path)
    match args.action:
        case []:
            asyncio.run(_host(args, setting, broker, clock))
        case ["state"]:
            asyncio.run(_show(args, setting, visit(broker, setting.topics, clock), zone))
        case ["do", command, *words]:
            there = visit(broker, setting.topics, clock)
            asyncio.run(_do(args, setting, there, _request(args, command, words)))
        case _:
            raise InputError(
                "after the name of the device write nothing (to host it), 'state', or "
                f"'do COMMAND key=value ...', not {' '.join(args.action)!r}"
            )
    return 0


def _setting(args: argparse.Namespace) -> tuple[RigSetting, Path, ZoneInfo]:
    if args.orders is not None:
        night = load_orders(args.orders)
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        return setting, night.paths["rig"], ZoneInfo(night.site.timezone)
    if args.rig is None or args.site is None:
        raise InputError("say where the rig is described: --orders ORDERS, or --rig and --site")
    rig, site, horizon, place = load_rig_at_site(args.rig, args.site)
    setting = RigSetting(rig, site.name, place, horizon)
    return setting, args.rig, ZoneInfo(site.timezone)


def _meeting_point(
    args: argparse.Namespace, setting: RigSetting, rig_path: Path
) -> tuple[BrokerSettings, Clock]:
    """The broker given by words, else of the rig file, else of the run in the data folder."""
    if args.host is not None or args.port is not None:
        given = BrokerSettings(
            host=args.host or "127.0.0.1",
            port=args.port or 1883,
            username=args.username,
            password_file=args.password_file,
            tls=None if args.ca_file is None else TlsSettings(ca_file=args.ca_file),
        )
        return given, _clock(args)
    broker = broker_of(setting.rig.bus, rig_path)
    if not broker.embedded:
        return broker, _clock(args)
    if not args.action:
        raise InputError(
            f"{rig_path}: the rig names no broker (bus.host), so say where it is: --host and --port"
        )
    running = find_running(args.spool.parent, None)
    return running.broker, running.clock()


def _clock(args: argparse.Namespace) -> Clock:
    if args.start is None:
        if args.speed != 1.0:
            raise InputError("--speed needs --start, the instant at which scaled time begins")
        return WallClock()
    return ScaledClock(args.start, args.speed, args.anchor)


# Hosting ----------------------------------------------------------------------------------------


async def _host(
    args: argparse.Namespace, setting: RigSetting, broker: BrokerSettings, clock: Clock
) -> None:
    stop = asyncio.Event()
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None

    def end() -> None:
        if stop.is_set():
            task.cancel("asked to end a second time")
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end)
    loop.add_signal_handler(signal.SIGUSR1, task.cancel, "another process takes over")
    if args.sky is not None and setting.rig.devices.camera.driver.startswith(_SIMULATED):
        setting = replace(setting, rig=simulated_rig(setting.rig, args.sky))
    if args.faults is not None:
        setting = replace(setting, rig=faulty_rig(setting.rig, read_faults(args.faults)))
    with suppress(asyncio.CancelledError):
        async with watched_service():
            await serve_device(
                args.name,
                setting,
                broker=broker,
                clock=clock,
                seed=args.seed,
                spool_folder=args.spool,
                stop=stop,
            )


# Talking ----------------------------------------------------------------------------------------

Visiting = AbstractAsyncContextManager[Visit]


async def _show(
    args: argparse.Namespace, setting: RigSetting, visiting: Visiting, zone: ZoneInfo
) -> None:
    wanted = (setting.topics.online(args.name), setting.topics.state(args.name))
    async with visiting as there:
        found = await retained(there, wanted, lambda found: len(found) == len(wanted), RETAINED_S)
    if len(found) < len(wanted):
        raise UnreachableError(
            f"{args.name} of {setting.rig.name} is not on the bus; start it with midwatch device, "
            "or look at its log"
        )
    online, envelope = decode(Online, found[wanted[0]]), decode(StateEnvelope, found[wanted[1]])
    if args.json:
        head = {"device": args.name, **online.model_dump(mode="json")}
        say_json({**head, **envelope.model_dump(mode="json")})
        return
    word = "online" if online.online else "offline"
    since = online.since.astimezone(zone)
    say(f"{args.name}: {word} since {since:%Y-%m-%d %H:%M:%S %Z}, driver {online.driver}")
    say(f"  {words}" if (words := device_words(args.name, envelope.state)) else "  no link")
    say(*(in_zone(line, zone) for line in table(map(_row, envelope.state.items()))))


def _request(args: argparse.Namespace, command: str, words: list[str]) -> Command[Any]:
    """Read a command with its arguments; what the device would refuse is refused here."""
    try:
        return read_command(command_model(kind_of(args.name), command), dict(map(_pair, words)))
    except CommandError as error:
        raise InputError(f"{args.name} do {command}: {error.message}") from None


async def _do(
    args: argparse.Namespace, setting: RigSetting, visiting: Visiting, request: Command[Any]
) -> None:
    lease_s = setting.rig.bus.lease_s
    async with visiting as there, AsyncExitStack() as stack:
        lease = LeaseHolder(there.bus, setting.topics, there.clock, visitor(), lease_s)
        if request.needs_lease:
            await stack.enter_async_context(lease)
        device: DeviceClient[DeviceState] = DeviceClient(
            there.bus, setting.topics, there.caller, there.clock, args.name, kind_of(args.name),
            setting.rig.bus.heartbeat_s, lease,
        )  # fmt: skip
        try:
            answer = await device.do(request, there.patience_s(args.timeout))
        except CallTimeoutError as error:
            raise UnreachableError(f"{error}; is the device hosted?") from None
        except CommandError as error:
            raise UnreachableError(str(error)) from None
    result = {} if answer is None else answer.model_dump(mode="json")
    if args.json:
        say_json({"device": args.name, "command": request.command, "result": result})
    else:
        say(f"{args.name} {request.command}: done")
        say(*table(map(_row, result.items())))
    if request.needs_lease:
        inform(f"without a daemon the device makes itself safe within {lease_s:g} s from now")


def _pair(word: str) -> tuple[str, JsonValue]:
    """Read key=value; the value is JSON where it can be, else text."""
    key, sign, text = word.partition("=")
    if not sign or not key:
        raise InputError(f"{word!r} is no argument; write key=value, such as setpoint_c=-10")
    try:
        value: JsonValue = json.loads(text)
    except ValueError:
        value = text
    return key, value


def _row(item: tuple[str, Any]) -> tuple[str, str]:
    return labelled(*item)
