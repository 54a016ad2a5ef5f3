"""What commands show on a terminal: tables, charts, states and duties in words."""

from midwatch.interface.console.chart import ASCII, UNICODE, altitude_chart, hour_line
from midwatch.interface.console.device_health import DEVICE_TOPICS, health, parsed_devices
from midwatch.interface.console.duty_words import duty_text
from midwatch.interface.console.printing import (
    drawable,
    heading,
    hours_text,
    inform,
    local_text,
    say,
    say_json,
    table,
)
from midwatch.interface.console.states_in_words import device_words, labelled

__all__ = [
    "ASCII",
    "DEVICE_TOPICS",
    "UNICODE",
    "altitude_chart",
    "device_words",
    "drawable",
    "duty_text",
    "heading",
    "health",
    "hour_line",
    "hours_text",
    "inform",
    "labelled",
    "local_text",
    "parsed_devices",
    "say",
    "say_json",
    "table",
]  # fmt: skip
