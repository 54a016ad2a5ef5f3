"""The engine, and what reaches it from outside: orders by hand, new orders, the calendar.

`Engine` is the shell around the pure core: build the world, decide, journal, perform, journal the
outcome, decide again. While a duty runs, every event asks `preempt` whether it must give way.
There is one way of interruption: the duty is cancelled with a reason, then the devices are
stopped in a fixed order (``interruption``).

``operator_desk`` answers ``daemon/do/...``: pause, resume, skip, close and change. Each order is
journaled and then found in the next world; there is no other way into a night. ``changed_orders``
reads new orders from the text of their files, judges them against the running night and plans
again. They take effect where a world is built, never in the middle of a duty. `OrdersChanged`
holds the files, and the record numbers the frames taken by what they are, so a restart finds both
again.
"""

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
from midwatch.sequencer.night.engine_parts import EngineParts
from midwatch.sequencer.night.night_events import Identity
from midwatch.sequencer.night.operator_desk import (
    BULLETIN_EVENTS,
    DAEMON,
    ChangeArgs,
    IncomingOrders,
    NightState,
    OperatorArgs,
    OperatorDesk,
)

__all__ = [
    "BULLETIN_EVENTS",
    "DAEMON",
    "Change",
    "ChangeArgs",
    "Documents",
    "Engine",
    "EngineParts",
    "Identity",
    "IncomingOrders",
    "NightCalendar",
    "NightState",
    "OperatorArgs",
    "OperatorDesk",
    "OrdersRefusedError",
    "documents_of",
    "orders_found",
    "prepare",
]  # fmt: skip
