"""What commands show on a terminal: tables, charts, progress, the result of a night."""

from midwatch.interface.console.chart import ASCII, UNICODE, altitude_chart, hour_line
from midwatch.interface.console.device_health import TOLD, facts_text, health, told_devices
from midwatch.interface.console.drill_listing import Progress, listing
from midwatch.interface.console.duty_words import duty_text
from midwatch.interface.console.night_result import conclude
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
from midwatch.interface.console.progress import NightProgress, shown

__all__ = [
    "ASCII", "TOLD", "UNICODE", "NightProgress", "Progress", "altitude_chart", "conclude",
    "drawable", "duty_text", "facts_text", "heading", "health", "hour_line", "hours_text",
    "listing", "local_text", "say", "say_json", "shown", "table", "tell", "told_devices",
]  # fmt: skip
