"""A short visit to the bus of a running night."""

from midwatch.runtime.visit.bus_visit import (
    CONNECT_S,
    RETAINED_S,
    Visit,
    order,
    reach,
    retained,
    visit,
    visitor,
)

__all__ = ["CONNECT_S", "RETAINED_S", "Visit", "order", "reach", "retained", "visit", "visitor"]
