"""The sections of the report on what the night brought, as plain values for its templates."""

from __future__ import annotations

import base64
from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from midwatch.journal.record import LABELS, FrameRecord, Ledger, NightRecord
from midwatch.reports.report_words import (
    LocalTime,
    Moment,
    counted,
    duration,
    joined,
    number,
    percent,
)
from midwatch.reports.summary_models import NightSummary
from midwatch.reports.tables import Content, Table, table
from midwatch.reports.time_ribbon import Use, group_of

__all__ = [
    "Headline",
    "LedgerView",
    "Preview",
    "TargetsView",
    "headline",
    "ledger_section",
    "previews_section",
    "targets_section",
]

# Bytes of preview pictures before base64; with everything else the report stays below 3 MB.
_PREVIEW_BYTES = 1_800_000
_PREVIEWS = 24


@dataclass(frozen=True)
class Headline:
    """What was got, in words, and the few figures that matter.

    Attributes:
        night: whose report it is.
        seed: of a rehearsal; None for a real night.
        costs: where the dark time went.
        ending: how the night ended.
        left: what was not made safe at the end, or "".
        open_faults: faults without an end, or "".
        broken: the number of promises that were broken, or "", and which.
        tiles: figures, each with what it counts.
    """

    night: str
    seed: int | None
    title: str
    costs: str
    ending: str
    left: str
    open_faults: str
    broken: str
    broken_promises: str
    tiles: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Share:
    """One cause of the ledger; `width` is its share of the longest, in percent."""

    name: str
    use: Use
    width: str
    took: str
    exactly: str


@dataclass(frozen=True)
class LedgerView:
    """Where the time went, longest first."""

    night_s: int
    shares: tuple[Share, ...]


@dataclass(frozen=True)
class TargetsView:
    """What was wanted and got, what was not kept and why, and every frame."""

    orders: Table
    not_kept: Table | None
    calibration: str
    missing: Table | None
    lights: int
    every: Table


@dataclass(frozen=True)
class Preview:
    """A picture of a frame; `data` is the PNG file in base64."""

    data: str
    name: str
    grade: str
    began: Moment
    hfr: str


def headline(summary: NightSummary, ledger: Ledger, record: NightRecord) -> Headline:
    """Return what was got, in words, and the few figures that matter."""
    got = [t for t in summary.targets if t.integration_s > 0]
    total_s = sum(target.integration_s for target in got)
    if not got:
        title = "No light frame was kept"
    elif len(got) <= 3:
        title = joined([f"{duration(t.integration_s)} on {t.name}" for t in got])
    else:
        title = f"{duration(total_s)} on {len(got)} targets"
    evening = date.fromisoformat(summary.evening)
    open_faults = sum(fault.ended is None for fault in summary.faults)
    broken = [promise for promise in summary.promises if promise.ok is False]
    ending, left = _ending(record)
    return Headline(
        night=f"Night of {evening.day} {evening:%B %Y} · {summary.site} · {summary.rig}",
        seed=summary.seed if summary.rehearsal else None,
        title=title,
        costs=_costs(ledger),
        ending=ending,
        left=left,
        open_faults=counted(open_faults, "fault") if open_faults else "",
        broken=counted(len(broken), "promise") if broken else "",
        broken_promises="; ".join(f"{promise.number}: {promise.text}" for promise in broken),
        tiles=_tiles(summary, ledger, record, total_s),
    )


def _tiles(
    summary: NightSummary, ledger: Ledger, record: NightRecord, total_s: float
) -> tuple[tuple[str, str], ...]:
    lights = [frame for frame in record.frames.values() if frame.is_light]
    kept = sum(frame.accepted for frame in lights)
    used = summary.yield_
    lost_s = sum(s for cause, s in ledger.seconds.items() if group_of(cause) == "lost")
    reach = () if used.bound_s is None else (_reach(used.kept, used.bound_s),)
    return (
        (duration(total_s), "integration kept"),
        (f"{kept} of {len(lights)}", "light frames kept"),
        (percent(used.fraction), "of usable time, shutter open"),
        *reach,
        (duration(lost_s), "lost to weather, faults, pauses"),
    )


def _reach(kept: float | None, bound_s: float) -> tuple[str, str]:
    """Say how much was had of what perfect knowledge could have had."""
    return percent(kept), f"of the {duration(bound_s)} that perfect knowledge could have had"


def _costs(ledger: Ledger) -> str:
    others = sorted(
        ((s, cause) for cause, s in ledger.seconds.items() if cause != "open_shutter"),
        key=lambda cost: -cost[0],
    )
    night_s = ledger.dawn_utc_s - ledger.dusk_utc_s
    if not others:
        return f"The shutter was open for all of the {duration(night_s)} between dusk and dawn."
    most = joined([f"{LABELS[cause]} ({duration(s)})" for s, cause in others[:3]])
    return (
        f"Of the {duration(night_s)} between dusk and dawn the shutter was open for "
        f"{duration(ledger.of('open_shutter'))}; most of the rest went to {most}."
    )


def _ending(record: NightRecord) -> tuple[str, str]:
    """How the night ended, and what was not made safe then."""
    if record.ended is None:
        return "The night has not ended.", ""
    missing = [s for s in ("parked", "warm", "closed") if not getattr(record.ended, s)]
    return f"The night ended: {record.ended.how}.", joined(missing)


def ledger_section(ledger: Ledger) -> LedgerView:
    """Return where the time went, longest first."""
    night_s = max(1, ledger.dawn_utc_s - ledger.dusk_utc_s)
    longest = max(ledger.seconds.values(), default=1)
    return LedgerView(
        night_s,
        tuple(
            Share(
                name=LABELS[cause],
                use=group_of(cause),
                width=f"{100 * s / longest:.2f}",
                took=_clock_length(s),
                exactly=f"{s} s, {s / night_s:.1%}",
            )
            for cause, s in sorted(ledger.seconds.items(), key=lambda item: -item[1])
        ),
    )


def _clock_length(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


# Targets and frames --------------------------------------------------------------------------


def targets_section(summary: NightSummary, record: NightRecord, times: LocalTime) -> TargetsView:
    """Return what was wanted and got, what was not kept and why, and every frame."""
    lights = [frame for frame in record.frames.values() if frame.is_light]
    others = [frame for frame in lights if not frame.accepted]
    calibration = Counter(f.begun.frame for f in record.frames.values() if not f.is_light)
    return TargetsView(
        orders=_orders(summary),
        not_kept=table(
            "Light frames that do not count",
            ("Time", "Target", "Filter", "Fate", "Why"),
            [_fate(frame, times) for frame in others],
        )
        if others
        else None,
        calibration=joined([f"{n} {frame}" for frame, n in calibration.items()]),
        missing=table(
            "Calibration frames that were not taken",
            ("What", "Why"),
            [(missing.words, missing.reason) for missing in summary.calibration_missing],
        )
        if summary.calibration_missing
        else None,
        lights=len(lights),
        every=table(
            "Light frames",
            ("Time", "Target", "Filter", "#Exposure", "Grade", "#HFR px", "#FWHM ″",
             "#Elongation", "#Guiding ″", "#Stars", "#Altitude"),
            [_measures(frame, times) for frame in lights],
        ),
    )  # fmt: skip


def _orders(summary: NightSummary) -> Table:
    heads = ("Target", "Filter", "#Integration", "#Accepted", "#Rejected", "#Doubtful", "#Exposure")
    rows = [
        (
            target.name,
            order.filter or "none",
            duration(order.integration_s),
            f"{order.accepted} of {order.wanted}",
            str(order.rejected),
            str(order.doubtful),
            f"{order.exposure_s:g} s",
        )
        for target in summary.targets
        for order in target.orders
    ]
    return table("Frames by order", heads, rows)


def _fate(frame: FrameRecord, times: LocalTime) -> tuple[Content, ...]:
    signs = {"rejected": "✕ rejected", "doubtful": "◇ doubtful", "lost": "✕ lost"}
    fate = frame.graded.grade if frame.graded else frame.state
    reasons = list(frame.graded.reasons) if frame.graded else []
    if frame.lost is not None:
        reasons.append(frame.lost.reason)
    if frame.first_grade is not None:
        reasons.append(f"{frame.first_grade} when filed, judged again with more frames")
    return (
        times.moment(frame.began_utc_s),
        frame.begun.target or "",
        frame.begun.filter or "",
        signs.get(fate, fate),
        "; ".join(reasons),
    )


def _measures(frame: FrameRecord, times: LocalTime) -> tuple[Content, ...]:
    graded = frame.graded
    return (
        times.moment(frame.began_utc_s),
        frame.begun.target or "",
        frame.begun.filter or "",
        f"{frame.exposure_s:g} s",
        graded.grade if graded else frame.state,
        number(graded.hfr_px if graded else None, 2),
        number(graded.fwhm_arcsec if graded else None, 2),
        number(graded.elongation if graded else None, 2),
        number(graded.guide_rms_arcsec if graded else None, 2),
        number(graded.stars if graded else None),
        number(graded.altitude_deg if graded else None, 0, "°"),
    )


def previews_section(record: NightRecord, folder: Path, times: LocalTime) -> tuple[Preview, ...]:
    """Return the best frame of each target and filter and those that were not kept."""
    pictures, budget = [], _PREVIEW_BYTES
    for frame in _worth_seeing(record)[:_PREVIEWS]:
        assert frame.filed is not None and frame.filed.preview is not None
        path = folder / frame.filed.preview
        if not path.is_file() or path.stat().st_size > budget:
            continue
        content = path.read_bytes()
        budget -= len(content)
        pictures.append(_preview(frame, content, times))
    return tuple(pictures)


def _worth_seeing(record: NightRecord) -> list[FrameRecord]:
    best: dict[tuple[str | None, str | None], FrameRecord] = {}
    others = []
    for frame in record.frames.values():
        if not frame.is_light or frame.filed is None or frame.filed.preview is None:
            continue
        if not frame.accepted:
            others.append(frame)
            continue
        key = (frame.begun.target, frame.begun.filter)
        if key not in best or _size(frame) < _size(best[key]):
            best[key] = frame
    return [*best.values(), *others]


def _size(frame: FrameRecord) -> float:
    hfr = frame.graded.hfr_px if frame.graded else None
    return float("inf") if hfr is None else hfr


def _preview(frame: FrameRecord, content: bytes, times: LocalTime) -> Preview:
    return Preview(
        data=base64.b64encode(content).decode(),
        name=f"{frame.begun.target or frame.begun.frame} {frame.begun.filter or ''}".strip(),
        grade=frame.graded.grade if frame.graded else frame.state,
        began=times.moment(frame.began_utc_s),
        hfr=number(frame.graded.hfr_px if frame.graded else None, 2, "px"),
    )
