"""A short visit to the bus of a running night: look at what is retained, give one command."""

from __future__ import annotations

import getpass
import os
import socket
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass

from pydantic import JsonValue

from midwatch.bus import (
    BrokerSettings,
    Bus,
    Caller,
    CallTimeoutError,
    JsonObject,
    Subscription,
    Topics,
    slug,
)
from midwatch.bus.mqtt import MqttBus
from midwatch.clock import Clock
from midwatch.errors import UnreachableError

CONNECT_S = 5.0
ANSWER_S = 10.0
RETAINED_S = 1.5


@dataclass(frozen=True)
class Visit:
    """A connection to the bus of one rig; its clock agrees with that of the rig."""

    bus: Bus
    topics: Topics
    caller: Caller
    clock: Clock

    def patience_s(self, real_s: float) -> float:
        """Seconds of the rig's clock in a number of real ones."""
        return real_s * self.clock.speed


def visitor() -> str:
    """Who gives orders here: account and machine."""
    try:
        account = getpass.getuser()
    except (KeyError, OSError):
        account = str(os.getuid())
    return f"{account}@{socket.gethostname()}"


@asynccontextmanager
async def visit(broker: BrokerSettings, topics: Topics, clock: Clock) -> AsyncIterator[Visit]:
    """Connect to a broker for a moment.

    Deadlines of commands are judged by the devices' clocks, so `clock` must agree with them.

    Raises:
        UnreachableError: the broker does not answer.
    """
    # Two visits at the same time must not bear one name: the broker would drop the first.
    seed = int(clock.unix_s() * 1000.0)
    bus = MqttBus(broker, slug(f"{visitor()}-{os.getpid()}"), clock, seed=seed)
    async with bus, Caller(bus, topics, clock, seed) as caller:
        await reach(bus, broker, CONNECT_S * clock.speed)
        yield Visit(bus, topics, caller, clock)


async def reach(bus: Bus, broker: BrokerSettings, limit_s: float) -> None:
    """Wait until a bus is connected to its broker.

    Raises:
        UnreachableError: it is not within the limit; the message says what to look at.
    """
    try:
        await bus.wait_connected(limit_s)
    except UnreachableError:
        raise UnreachableError(
            f"the broker at {broker.host}:{broker.port} does not answer within {CONNECT_S:g} s; is "
            "it running, and are account and password right?"
        ) from None


async def retained(
    there: Visit,
    patterns: tuple[str, ...],
    enough: Callable[[dict[str, bytes]], bool],
    wait_s: float,
) -> dict[str, bytes]:
    """Return the messages on some topics, by topic: the latest of each.

    Args:
        there: the visit.
        patterns: filters of the topics.
        enough: whether nothing more needs to be waited for.
        wait_s: longest wait, real seconds.
    """
    found: dict[str, bytes] = {}
    messages: Subscription = there.bus.subscribe(*patterns)
    try:
        async with there.clock.timeout(there.patience_s(wait_s)):
            while not enough(found):
                message = await messages.get()
                found[message.topic] = message.payload
    except TimeoutError:
        pass
    finally:
        messages.close()
    return found


async def order(
    there: Visit, device: str, command: str, args: Mapping[str, JsonValue]
) -> JsonObject:
    """Give one command that needs no lease, and return its result when it was taken.

    Raises:
        UnreachableError: there is no answer.
        CommandError: it was refused.
        OversizedError: it is too long to travel.
    """
    given = {name: value for name, value in args.items() if value is not None}
    try:
        return await there.caller.call(device, command, given, timeout_s=there.patience_s(ANSWER_S))
    except CallTimeoutError as error:
        raise UnreachableError(
            f"{error}; the {device} is not on the bus, or hangs (see its log)"
        ) from None
