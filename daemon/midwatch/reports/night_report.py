"""The report of a night for a person, and writing all that a night leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from midwatch.durable import write_whole
from midwatch.instants import all_in_zone
from midwatch.journal.facts import FocusRun, Grade, Sample
from midwatch.journal.promises import (
    Inventory,
    NightContext,
    check_promises,
    checksum_lines,
    take_inventory,
)
from midwatch.journal.record import Ledger, NightRecord, account
from midwatch.journal.store import Event, digest_of_events, facts_of
from midwatch.learning import Lessons, draw_lessons, keep_proposal
from midwatch.markup import draw
from midwatch.reports.charts import Chart, Dash, Point, Series, curve_chart, time_chart
from midwatch.reports.happenings import (
    DecisionsView,
    FaultsView,
    FilesView,
    PromiseView,
    decisions_section,
    faults_section,
    files_section,
    promises_section,
)
from midwatch.reports.lessons_sections import (
    ExposuresView,
    HorizonView,
    exposures_section,
    horizon_section,
)
from midwatch.reports.marks import Mark
from midwatch.reports.night_timeline import Timeline, timeline
from midwatch.reports.report_sections import (
    Headline,
    LedgerView,
    Preview,
    TargetsView,
    headline,
    ledger_section,
    previews_section,
    targets_section,
)
from midwatch.reports.report_words import LocalTime, number
from midwatch.reports.summary import Measure, summarise, to_json
from midwatch.reports.summary_models import NightSummary

__all__ = [
    "NightAccounts",
    "Report",
    "fitted_curve",
    "render_report",
    "take_accounts",
    "view_of",
    "write_outputs",
]

_GRADE_MARKS: dict[Grade, Mark] = {"accepted": "dot", "rejected": "cross", "doubtful": "diamond"}


@dataclass(frozen=True)
class NightAccounts:
    """Everything that is derived from the events and files of one night."""

    events: Sequence[Event]
    record: NightRecord
    ledger: Ledger
    inventory: Inventory
    summary: NightSummary
    lessons: Lessons


@dataclass(frozen=True)
class FocusView:
    """The focus runs: how many there were, how many of them failed, and their curves."""

    runs: int
    failed: str
    charts: tuple[Chart, ...]


@dataclass(frozen=True)
class Report:
    """Everything that the report shows, in its order."""

    title: str
    headline: Headline
    timeline: Timeline
    ledger: LedgerView
    targets: TargetsView
    exposures: ExposuresView | None
    horizon: HorizonView | None
    focus: FocusView
    curves: tuple[Chart, ...]
    previews: tuple[Preview, ...]
    faults: FaultsView
    decisions: DecisionsView
    promises: tuple[PromiseView, ...]
    files: FilesView
    version: str
    timezone: str


def take_accounts(
    events: Sequence[Event],
    folder: Path,
    context: NightContext,
    history: Sequence[Event] | None = None,
    measure: Measure | None = None,
) -> NightAccounts:
    """Fold, account, verify and sum up the events of one night.

    Args:
        events: Of the night, in the order of the journal.
        folder: The night's folder; its frames are read and verified.
        context: Site and limits.
        history: Events of all nights, from which more can be learned; left out, of this one.
        measure: Gives what could have been had, where that is known.

    Raises:
        ValueError: The events hold no beginning of a night.
        OSError: A file cannot be read.
    """
    record = NightRecord.from_events(events)
    if record.began is None:
        raise ValueError("the journal holds no beginning of this night")
    ledger = account(events, record.began.dusk_utc_s, record.began.dawn_utc_s)
    inventory = take_inventory(folder)
    digest = digest_of_events(events)
    promises = check_promises(events, record, ledger, inventory, context, digest)
    lessons = draw_lessons(record, events if history is None else history, context)
    reach = None if measure is None else measure(events, record)
    summary = summarise(events, record, ledger, promises, digest, lessons, reach)
    return NightAccounts(events, record, ledger, inventory, summary, lessons)


def write_outputs(
    folder: Path,
    events: Sequence[Event],
    context: NightContext,
    *,
    durable: bool = True,
    history: Sequence[Event] | None = None,
    measure: Measure | None = None,
) -> NightSummary:
    """Write ``night.json``, ``report.html`` and ``checksums.sha256`` into a night's folder.

    With a history, a proposed horizon goes into the folder above, where one was learned.

    Each file appears whole or not at all; the checksums are written last and cover the frames,
    the calibration frames and the two other files.

    Args:
        folder: The night's folder; made if it is missing.
        events: Of the night, in the order of the journal.
        context: Site and limits.
        durable: Force the files to the disk. Only rehearsals do without.
        history: Events of all nights of the journal.
        measure: Gives what could have been had, where that is known.

    Raises:
        ValueError: The events hold no beginning of a night.
        OSError: A file cannot be read or written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    accounts = take_accounts(events, folder, context, history, measure)
    if history is not None:
        keep_proposal(folder.parent, accounts.lessons, durable=durable)
    report = render_report(accounts, folder, context)
    digests = dict(accounts.inventory.sha256)
    for name, text in (("night.json", to_json(accounts.summary)), ("report.html", report)):
        digests[name] = write_whole(folder / name, text, durable=durable)
    write_whole(folder / "checksums.sha256", checksum_lines(digests), durable=durable)
    return accounts.summary


def render_report(accounts: NightAccounts, folder: Path, context: NightContext) -> str:
    """Return the report as one HTML page that needs nothing else.

    Args:
        accounts: Of the night.
        folder: The night's folder, from which previews are taken.
        context: Site and limits.
    """
    return draw(__package__, "report.html", view_of(accounts, folder, context))


def view_of(accounts: NightAccounts, folder: Path, context: NightContext) -> Report:
    """Return everything that the report shows; arguments as of `render_report`."""
    summary, record, ledger = accounts.summary, accounts.record, accounts.ledger
    events, times = accounts.events, LocalTime(context.timezone)
    report = Report(
        title=f"Midwatch, {summary.site}, {summary.night}",
        headline=headline(summary, ledger, record),
        timeline=timeline(events, record, ledger, context),
        ledger=ledger_section(ledger),
        targets=targets_section(summary, record, times),
        exposures=exposures_section(accounts.lessons),
        horizon=horizon_section(accounts.lessons),
        focus=_focus_section(events, times),
        curves=_curves_section(accounts, times),
        previews=previews_section(record, folder, times),
        faults=faults_section(summary, events, record, times),
        decisions=decisions_section(events, times),
        promises=promises_section(summary),
        files=files_section(record, accounts.inventory.sha256.items()),
        version=summary.midwatch,
        timezone=context.timezone,
    )
    return all_in_zone(report, ZoneInfo(context.timezone))


# Focus ---------------------------------------------------------------------------------------


def _focus_section(events: Sequence[Event], times: LocalTime) -> FocusView:
    runs = facts_of(events, FocusRun)
    failed = sum(not run.ok for _, run in runs)
    return FocusView(
        len(runs), str(failed or "none"), tuple(_focus_chart(at, run, times) for at, run in runs)
    )


def _focus_chart(at_utc_s: float, run: FocusRun, times: LocalTime) -> Chart:
    samples = Series(
        "",
        [
            Point(position, hfr, f"position {position}: HFR {hfr:.2f} px")
            for position, hfr in zip(run.positions, run.hfr_px, strict=True)
        ],
    )
    fit = best = None
    if run.best_position is not None and run.best_hfr_px is not None:
        best = Point(run.best_position, run.best_hfr_px)
        curve = fitted_curve(run.positions, run.hfr_px, run.best_position, run.best_hfr_px)
        fit = Series("", [Point(x, y) for x, y in curve], None, "solid")
    verdict = (
        f"best {run.best_position} ± {number(run.uncertainty_steps, 1)}, "
        f"HFR {number(run.best_hfr_px, 2)}"
        if run.ok
        else f"✕ failed: {run.reason}"
    )
    filtered = f", {run.filter}" if run.filter else ""
    return curve_chart(
        f"{times.clock(at_utc_s)}{filtered}: {run.trigger}", verdict, samples, fit, best
    )


def fitted_curve(
    positions: Sequence[float], hfr_px: Sequence[float], best_position: float, best_hfr_px: float
) -> list[tuple[float, float]]:
    """Return points of the hyperbola through a focus run's own best that fits its samples.

    HFR^2 = best^2 + slope^2 (position - best position)^2; slope^2 by least squares of HFR^2, the
    only unknown left. Empty where all samples lie at the best position.
    """
    offset = np.asarray(positions, float) - best_position
    weight = float(np.sum(offset**4))
    if weight == 0.0:
        return []
    rise = np.asarray(hfr_px, float) ** 2 - best_hfr_px**2
    slope_squared = max(0.0, float(np.sum(rise * offset**2)) / weight)
    x = np.linspace(min(positions), max(positions), 41)
    y = np.sqrt(best_hfr_px**2 + slope_squared * (x - best_position) ** 2)
    return list(zip(x.tolist(), y.tolist(), strict=True))


# Curves over the night -----------------------------------------------------------------------


def _curves_section(accounts: NightAccounts, times: LocalTime) -> tuple[Chart, ...]:
    ledger, record = accounts.ledger, accounts.record
    samples = facts_of(accounts.events, Sample)
    runs = facts_of(accounts.events, FocusRun)
    moments = [
        *(frame.began_utc_s for frame in record.frames.values() if frame.is_light),
        *(at for at, _ in samples),
        *(at for at, _ in runs),
    ]
    span = (
        min([float(ledger.dusk_utc_s), *moments]),
        max([float(ledger.dawn_utc_s), *moments]),
    )
    best = Series(
        "focus run",
        [
            Point(at, run.best_position, f"{times.to_the_second(at)} {run.best_position}")
            for at, run in runs
            if run.best_position is not None
        ],
        "triangle",
    )
    used = _frame_series(accounts, times, "focus_position", "at frames")
    return (
        time_chart("Star size (HFR)", "px", _graded(accounts, times, "hfr_px"), span, times),
        time_chart("Elongation", "a/b", _graded(accounts, times, "elongation"), span, times, 1.0),
        time_chart("Guiding, RMS", "arcsec", _guiding(accounts, times), span, times, 0.0),
        time_chart("Focus position", "steps", [used, best], span, times),
        time_chart("Temperature", "°C", _temperatures(samples), span, times),
        time_chart("Background", "ADU", _graded(accounts, times, "background_adu"), span, times),
    )


def _graded(accounts: NightAccounts, times: LocalTime, measure: str) -> list[Series]:
    """One series for each grade, with a mark of its own."""
    return [
        _frame_series(accounts, times, measure, grade, grade, mark)
        for grade, mark in _GRADE_MARKS.items()
    ]


def _frame_series(
    accounts: NightAccounts,
    times: LocalTime,
    measure: str,
    label: str,
    grade: Grade | None = None,
    mark: Mark = "dot",
) -> Series:
    points = []
    for frame in accounts.record.frames.values():
        graded = frame.graded
        if graded is None or (grade is not None and graded.grade != grade):
            continue
        value = getattr(graded, measure)
        if value is not None:
            hint = f"{times.to_the_second(frame.began_utc_s)} {frame.begun.target} {value:.2f}"
            points.append(Point(frame.began_utc_s, value, hint))
    return Series(label, points, mark)


def _guiding(accounts: NightAccounts, times: LocalTime) -> list[Series]:
    samples = facts_of(accounts.events, Sample)
    return [
        _frame_series(accounts, times, "guide_rms_arcsec", "frames"),
        _sampled(samples, "guide_rms_ra_arcsec", "RA", "solid"),
        _sampled(samples, "guide_rms_dec_arcsec", "Dec", "dashed"),
    ]


def _temperatures(samples: Sequence[tuple[float, Sample]]) -> list[Series]:
    return [_sampled(samples, "air_c", "air", "solid")]


def _sampled(
    samples: Sequence[tuple[float, Sample]], measure: str, label: str, dash: Dash
) -> Series:
    points = [
        Point(at, value)
        for at, sample in samples
        if (value := getattr(sample, measure)) is not None
    ]
    return Series(label, points, None, dash)
