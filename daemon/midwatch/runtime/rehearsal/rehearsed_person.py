"""The person of a rehearsal: gives the daemon orders by hand over the bus, sensible ones or not."""

from __future__ import annotations

from contextlib import AsyncExitStack
from typing import Self

import structlog
import yaml

from midwatch.bus import Caller, JsonObject, MemoryBroker, MemoryBus, Topics
from midwatch.clock import Clock
from midwatch.errors import MidwatchError
from midwatch.orders.reading import Night
from midwatch.sequencer.night import DAEMON, Documents, NightState, documents_of
from midwatch.tasks import together

__all__ = ["RehearsedPerson", "without_target"]

_log = structlog.get_logger(__name__)

_WHO = "rehearsed person"
# A person waits about so long for an answer, then gives up.
_PATIENCE_S = 60.0


class RehearsedPerson:
    """A person at the bus of a rehearsal; use as an async context manager.

    Args:
        night: as declared.
        seed: of request ids.
    """

    def __init__(
        self, broker: MemoryBroker, topics: Topics, clock: Clock, night: Night, seed: int
    ) -> None:
        self._broker = broker
        self._topics = topics
        self._night = night
        self._bus = MemoryBus(broker, "person")
        self._caller = Caller(self._bus, topics, clock, seed)
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        await self._stack.enter_async_context(self._bus)
        await self._stack.enter_async_context(self._caller)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stack.aclose()

    async def order(self, command: str, args: JsonObject) -> JsonObject:
        """Give one order, in the person's name.

        Raises:
            CommandError: it was refused.
            CallTimeoutError: the daemon does not answer.
        """
        return await self._caller.call(
            DAEMON, command, {"who": _WHO, **args}, timeout_s=_PATIENCE_S
        )

    async def order_by_hand(self, fault: str) -> None:
        """Do what a fault of the operator's kind says; what the daemon answers is logged."""
        if fault == "conflicting-commands":
            words = ("pause", "resume", "skip", "close", "resume", "pause")
            tries = enumerate(words, start=1)
            await together(
                {f"guest {n} {word}": self._try(word, {"why": "all at once"}) for n, word in tries}
            )
            return
        sound = documents_of(self._night)
        if fault == "bad-orders":
            documents = _with_mistakes(sound)
        else:
            documents = without_target(sound, self.target_in_hand())
        given: JsonObject = {"why": fault, "documents": documents.model_dump(mode="json")}
        await self._try("change", given)

    def target_in_hand(self) -> str | None:
        """Return the target that the night's bulletin names; None where it names none."""
        payload = self._broker.retained(self._topics.night_state)
        return None if payload is None else NightState.model_validate_json(payload).target

    async def _try(self, command: str, args: JsonObject) -> None:
        try:
            result = await self.order(command, args)
        except MidwatchError as error:
            _log.info("order_by_hand_refused", command=command, reason=str(error))
        else:
            _log.info("order_by_hand_taken", command=command, result=result)


def _with_mistakes(documents: Documents) -> Documents:
    """Return orders with two mistakes of the kinds that people make: a misspelt key, a number."""
    content = yaml.safe_load(documents.files[documents.main])
    content["targets"][0]["frames"][0]["exposure_s"] = -60
    content["targts"] = content["targets"]
    return _with_orders(documents, content)


def without_target(documents: Documents, name: str | None) -> Documents:
    """Return orders without one of their targets, or without the first where none is named.

    Orders of a single target are left with none, which cannot hold.
    """
    content = yaml.safe_load(documents.files[documents.main])
    names = [target["name"] for target in content["targets"]]
    gone = name if name in names else names[0]
    content["targets"] = [target for target in content["targets"] if target["name"] != gone]
    return _with_orders(documents, content)


def _with_orders(documents: Documents, content: object) -> Documents:
    text = yaml.safe_dump(content, sort_keys=False, allow_unicode=True)
    return Documents(main=documents.main, files={**documents.files, documents.main: text})
