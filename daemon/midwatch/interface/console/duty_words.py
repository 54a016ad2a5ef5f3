"""A duty in words, for people who look at a night."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import JsonValue

from midwatch.interface.console.states_in_words import labelled

__all__ = ["duty_text"]


# What is a matter between daemon and journal.
_NUMBERS = ("fault_id", "order_index")


def duty_text(duty: str, args: Mapping[str, JsonValue]) -> str:
    """A duty with its arguments, the target first: expose (target M 101, exposure 240 s)."""
    ordered = sorted(args.items(), key=lambda item: (item[0] != "target", item[0]))
    shown = ", ".join(
        " ".join(labelled(name, value))
        for name, value in ordered
        if value is not None and name not in _NUMBERS
    )
    word = duty.replace("_", " ")
    return f"{word} ({shown})" if shown else word
