"""What a night leaves for people and programs: report.html and night.json."""

from midwatch.reports.happenings import folded_remedies
from midwatch.reports.night_report import take_accounts, write_outputs
from midwatch.reports.report_words import LocalTime, Moment, duration, number
from midwatch.reports.summary import Measure, Reach, json_schema, known_reach, to_json, utc_text
from midwatch.reports.summary_models import NightSummary, TargetSummary
from midwatch.reports.tables import Cell, Content, Table, table
from midwatch.reports.time_ribbon import Use, group_of

__all__ = [
    "Cell",
    "Content",
    "LocalTime",
    "Measure",
    "Moment",
    "NightSummary",
    "Reach",
    "Table",
    "TargetSummary",
    "Use",
    "duration",
    "folded_remedies",
    "group_of",
    "json_schema",
    "known_reach",
    "number",
    "table",
    "take_accounts",
    "to_json",
    "utc_text",
    "write_outputs",
]  # fmt: skip
