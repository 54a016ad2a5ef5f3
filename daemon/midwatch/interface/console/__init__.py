"""What commands show on a terminal: tables, charts, states and duties in words."""

from midwatch.interface.console.chart import ASCII, UNICODE, altitude_chart, hour_line
from midwatch.interface.console.device_health import TOLD, health, told_devices
from midwatch.interface.console.duty_words import duty_text
from midwatch.interface.console.printing import (
    drawable,
    heading,
    hours_text,
    local_text,
    say,
    say_json,
    table,
    tell,
)
from midwatch.interface.console.states_in_words import device_words, labelled

__all__ = [
    "ASCII",
    "TOLD",
    "UNICODE",
    "altitude_chart",
    "device_words",
    "drawable",
    "duty_text",
    "heading",
    "health",
    "hour_line",
    "hours_text",
    "labelled",
    "local_text",
    "say",
    "say_json",
    "table",
    "tell",
    "told_devices",
]  # fmt: skip
