"""The base of all facts, and the words that several of them share."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import BaseModel, ConfigDict

__all__ = ["Fact", "Grade", "Outcome"]


class Fact(BaseModel):
    """Base of every event's facts; ``kind`` is its name in the journal."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)
    kind: ClassVar[str]


Outcome = Literal["done", "failed", "cancelled", "skipped"]
Grade = Literal["accepted", "rejected", "doubtful"]
