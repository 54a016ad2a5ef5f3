"""One promise of a night, as it was judged."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

__all__ = ["Promise"]


class Promise(BaseModel):
    """One promise and how it fared.

    Attributes:
        ok: Kept or broken; None where a single night cannot show it.
        detail: What was looked at, and what was found wrong.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)
    number: int
    text: str
    ok: bool | None
    detail: str
