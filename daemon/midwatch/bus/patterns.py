"""Topic names and filters as MQTT 3.1.1 defines them (section 4.7)."""

from __future__ import annotations

from functools import lru_cache

_MAX_BYTES = 65_535


def check_topic(topic: str) -> None:
    """Raise ValueError unless a message may be published on `topic`."""
    _check_text(topic)
    if "+" in topic or "#" in topic:
        raise ValueError(f"topic {topic!r} holds a wildcard: only filters may")


def check_pattern(pattern: str) -> None:
    """Raise ValueError unless `pattern` is a filter: + fills a level, # the rest."""
    _check_text(pattern)
    levels = pattern.split("/")
    for index, level in enumerate(levels):
        if level == "#" and index == len(levels) - 1:
            continue
        if "#" in level or ("+" in level and level != "+"):
            raise ValueError(f"filter {pattern!r}: a wildcard must fill its level, # the last one")


@lru_cache(maxsize=4096)
def matches(pattern: str, topic: str) -> bool:
    """Whether `pattern` takes in `topic`; topics in $ are taken in by no leading wildcard."""
    wanted, levels = pattern.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in ("+", "#"):
        return False
    for index, level in enumerate(wanted):
        if level == "#":
            return True
        if index >= len(levels) or level not in ("+", levels[index]):
            return False
    return len(wanted) == len(levels)


def overlap(first: str, second: str) -> bool:
    """Whether some topic is taken in by both filters."""
    left, right = first.split("/"), second.split("/")
    for index in range(max(len(left), len(right))):
        a = left[index] if index < len(left) else None
        b = right[index] if index < len(right) else None
        if a == "#" or b == "#":
            # This pair alone would meet only in the empty topic, and there is none.
            return {first, second} != {"/#", "+"}
        if a is None or b is None or (a != b and "+" not in (a, b)):
            return False
    return True


def _check_text(text: str) -> None:
    if not text or "\0" in text or len(text.encode()) > _MAX_BYTES:
        raise ValueError("a topic has 1 to 65535 bytes of UTF-8 without NUL")
