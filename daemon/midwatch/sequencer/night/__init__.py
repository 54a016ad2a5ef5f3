"""The engine, and what reaches it from outside: orders by hand, new orders, the calendar."""

from midwatch.sequencer.night.calendar import NightCalendar
from midwatch.sequencer.night.changed_orders import (
    Change,
    Documents,
    OrdersRefusedError,
    documents_of,
    orders_found,
    prepare,
)
from midwatch.sequencer.night.engine import Engine
from midwatch.sequencer.night.night_events import Identity
from midwatch.sequencer.night.operator_desk import (
    DAEMON,
    TOLD_EVENTS,
    ChangeArgs,
    IncomingOrders,
    NightState,
    OperatorArgs,
    OperatorDesk,
)

__all__ = [
    "DAEMON", "TOLD_EVENTS", "Change", "ChangeArgs", "Documents", "Engine", "Identity",
    "IncomingOrders", "NightCalendar", "NightState", "OperatorArgs", "OperatorDesk",
    "OrdersRefusedError", "documents_of", "orders_found", "prepare",
]  # fmt: skip
