"""From files to a night: text, models, names and errors with file, line and field."""

from midwatch.orders.reading.file_schema import USER_FILES, json_schema
from midwatch.orders.reading.load import (
    Night,
    ResolvedTarget,
    load_night,
    load_rig,
    load_scenario,
    load_site,
)
from midwatch.orders.reading.places import problem_in_file

__all__ = [
    "USER_FILES", "Night", "ResolvedTarget", "json_schema", "load_night", "load_rig",
    "load_scenario", "load_site", "problem_in_file",
]  # fmt: skip
