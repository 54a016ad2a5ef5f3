"""What everything that a user declares has in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from midwatch.orders.models import field_rules as rules


class Declared(BaseModel):
    """Closed, frozen base of everything a user declares."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


Percent = Annotated[float, Field(ge=0, le=100)]
Name = Annotated[str, Field(min_length=1, max_length=60), BeforeValidator(rules.name)]
