"""Where on the bus what is found."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache

_PREFIX = "midwatch"
_NIGHT = "night"
_REPLY = "reply"


class TopicKind(StrEnum):
    """What a topic carries."""

    ONLINE = "online"
    ABOUT = "about"
    STATE = "state"
    DO = "do"
    EVENT = "event"
    REPLY = "reply"
    NIGHT_STATE = "night_state"
    NIGHT_DECISION = "night_decision"
    NIGHT_EVENT = "night_event"
    NIGHT_LEASE = "night_lease"


@dataclass(frozen=True, slots=True)
class ParsedTopic:
    """The parts of a topic; `device` is empty for the night and for replies.

    `name` is the command, the event or the client that the topic is about, else empty.
    """

    site: str
    rig: str
    kind: TopicKind
    device: str = ""
    name: str = ""


@lru_cache(maxsize=4096)
def slug(text: str) -> str:
    """One level of a topic made of `text`: lower case, letters, digits, `_` and `-`.

    Everything else becomes a single `-`, none at the ends. A slug is its own slug.

    Raises:
        ValueError: no letter or digit is left.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    kept = "".join(char if char.isalnum() or char == "_" else "-" for char in folded)
    level = "-".join(part for part in kept.split("-") if part)
    if not any(char.isalnum() for char in level):
        raise ValueError(f"{text!r} holds no letter or digit to name a topic with")
    return level


@dataclass(frozen=True)
class Topics:
    """The topics of one rig at one site; every name given is turned into its slug.

    Raises:
        ValueError: a name has no slug, or a device bears a reserved one.
    """

    site: str
    rig: str
    root: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "site", slug(self.site))
        object.__setattr__(self, "rig", slug(self.rig))
        object.__setattr__(self, "root", f"{_PREFIX}/{self.site}/{self.rig}")

    def online(self, device: str) -> str:
        """Whether the device takes part (retained, and its last will)."""
        return f"{self._device(device)}/online"

    def about(self, device: str) -> str:
        """What the device is and can (retained)."""
        return f"{self._device(device)}/about"

    def state(self, device: str) -> str:
        """The whole state of the device (retained)."""
        return f"{self._device(device)}/state"

    def do(self, device: str, command: str) -> str:
        """Where the device is asked to do something."""
        return f"{self._device(device)}/do/{slug(command)}"

    def commands(self, device: str) -> str:
        """Filter for everything the device is asked to do."""
        return f"{self._device(device)}/do/+"

    def event(self, device: str, name: str) -> str:
        """Progress and facts from the device."""
        return f"{self._device(device)}/event/{slug(name)}"

    def events(self, device: str) -> str:
        """Filter for all events of the device."""
        return f"{self._device(device)}/event/+"

    def reply(self, client: str) -> str:
        """Where a client receives its answers."""
        return f"{self.root}/{_REPLY}/{slug(client)}"

    def is_reply(self, topic: str) -> bool:
        """Whether `topic` is a place for answers on this rig."""
        parsed = parse(topic)
        return (
            parsed is not None
            and parsed.kind is TopicKind.REPLY
            and (parsed.site, parsed.rig) == (self.site, self.rig)
        )

    @property
    def night_state(self) -> str:
        """What the daemon is doing (retained)."""
        return f"{self.root}/{_NIGHT}/state"

    @property
    def night_decision(self) -> str:
        """The decision in force, and why."""
        return f"{self.root}/{_NIGHT}/decision"

    @property
    def night_lease(self) -> str:
        """The daemon's renewed right to command the devices."""
        return f"{self.root}/{_NIGHT}/lease"

    def night_event(self, name: str) -> str:
        """Facts of the night."""
        return f"{self.root}/{_NIGHT}/event/{slug(name)}"

    @staticmethod
    def slug(text: str) -> str:
        """See the function `slug`."""
        return slug(text)

    def _device(self, device: str) -> str:
        level = slug(device)
        if level in (_NIGHT, _REPLY):
            raise ValueError(f"a device cannot be called {device!r}: the name is reserved")
        return f"{self.root}/{level}"


def parse(topic: str) -> ParsedTopic | None:
    """The parts of `topic`, or None if it is none of ours."""
    levels = topic.split("/")
    if len(levels) < 5 or levels[0] != _PREFIX or not all(levels) or "+" in topic or "#" in topic:
        return None
    _, site, rig, owner, *rest = levels
    if owner == _REPLY:
        return ParsedTopic(site, rig, TopicKind.REPLY, name=rest[0]) if len(rest) == 1 else None
    kind = _kind(owner == _NIGHT, rest)
    if kind is None:
        return None
    return ParsedTopic(
        site,
        rig,
        kind,
        device="" if owner == _NIGHT else owner,
        name=rest[1] if len(rest) == 2 else "",
    )


_DEVICE_KINDS = {
    ("online", 1): TopicKind.ONLINE,
    ("about", 1): TopicKind.ABOUT,
    ("state", 1): TopicKind.STATE,
    ("do", 2): TopicKind.DO,
    ("event", 2): TopicKind.EVENT,
}
_NIGHT_KINDS = {
    ("state", 1): TopicKind.NIGHT_STATE,
    ("decision", 1): TopicKind.NIGHT_DECISION,
    ("lease", 1): TopicKind.NIGHT_LEASE,
    ("event", 2): TopicKind.NIGHT_EVENT,
}


def _kind(night: bool, rest: list[str]) -> TopicKind | None:
    return (_NIGHT_KINDS if night else _DEVICE_KINDS).get((rest[0], len(rest)))
