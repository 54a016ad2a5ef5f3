"""The sections of the report, each from the summary and the events to markup."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date
from html import escape
from pathlib import Path

from midwatch.journal.facts import DecisionMade, LimitHeld, LookoutChanged, Notice
from midwatch.journal.record import LABELS, FaultRecord, FrameRecord, Ledger, NightRecord
from midwatch.journal.store import Event, facts_of
from midwatch.reports.report_words import LocalTime, duration, joined, number, table
from midwatch.reports.summary_models import NightSummary
from midwatch.reports.time_ribbon import group_of

__all__ = [
    "decisions_section",
    "faults_section",
    "files_section",
    "headline",
    "ledger_section",
    "previews_section",
    "promises_section",
    "targets_section",
]

# Bytes of preview pictures before base64; with everything else the report stays below 3 MB.
_PREVIEW_BYTES = 1_800_000
_PREVIEWS = 24
# A duty decided more often than this is routine, and its decisions are left to the journal.
_ROUTINE = 10
_DECISIONS = 60


def headline(summary: NightSummary, ledger: Ledger, record: NightRecord) -> str:
    """Return what was got, in words, and the few figures that matter."""
    got = [t for t in summary.targets if t.integration_s > 0]
    total_s = sum(target.integration_s for target in got)
    per_target = [f"{duration(t.integration_s)} on {t.name}" for t in got]
    if not got:
        title = "No light frame was kept"
    elif len(got) <= 3:
        title = joined(per_target)
    else:
        title = f"{duration(total_s)} on {len(got)} targets"
    lights = [frame for frame in record.frames.values() if frame.is_light]
    kept = sum(frame.accepted for frame in lights)
    used = summary.yield_
    lost_s = sum(s for cause, s in ledger.seconds.items() if group_of(cause) == "lost")
    reach = () if used.bound_s is None else (_reach(used.kept, used.bound_s),)
    tiles = (
        (duration(total_s), "integration kept"),
        (f"{kept} of {len(lights)}", "light frames kept"),
        (_share(used.fraction), "of usable time, shutter open"),
        *reach,
        (duration(lost_s), "lost to weather, faults, pauses"),
    )
    boxes = "".join(f"<li><b>{escape(value)}</b><span>{name}</span></li>" for value, name in tiles)
    evening = date.fromisoformat(summary.evening)
    night = f"Night of {evening.day} {evening:%B %Y} · {summary.site} · {summary.rig}"
    rehearsal = f' <span class="badge">rehearsal, seed {summary.seed}</span>'
    return (
        f'<p class="over">{escape(night)}{rehearsal if summary.rehearsal else ""}</p>'
        f"<h1>{escape(title)}</h1>"
        f'<p class="lead">{_costs(ledger)} {_ending(summary, record)}</p>'
        f'{_broken(summary)}<ul class="tiles">{boxes}</ul>'
    )


def _share(part: float | None) -> str:
    return "none" if part is None else f"{part:.0%}"


def _reach(kept: float | None, bound_s: float) -> tuple[str, str]:
    """Say how much was had of what perfect knowledge could have had."""
    return _share(kept), f"of the {duration(bound_s)} that perfect knowledge could have had"


def _costs(ledger: Ledger) -> str:
    others = sorted(
        ((s, cause) for cause, s in ledger.seconds.items() if cause != "open_shutter"),
        key=lambda cost: -cost[0],
    )
    night_s = ledger.dawn_utc_s - ledger.dusk_utc_s
    if not others:
        return f"The shutter was open for all of the {duration(night_s)} between dusk and dawn."
    told = joined([f"{escape(LABELS[cause])} ({duration(s)})" for s, cause in others[:3]])
    return (
        f"Of the {duration(night_s)} between dusk and dawn the shutter was open for "
        f"{duration(ledger.of('open_shutter'))}; most of the rest went to {told}."
    )


def _ending(summary: NightSummary, record: NightRecord) -> str:
    open_faults = sum(fault.ended is None for fault in summary.faults)
    if record.ended is None:
        told = "The night has not ended."
    else:
        told = f"The night ended: {escape(record.ended.how)}."
        missing = [s for s in ("parked", "warm", "closed") if not getattr(record.ended, s)]
        if missing:
            told += f" <strong>The rig was left not {joined(missing)}.</strong>"
    return f"{told} {_count(open_faults, 'fault')} still open." if open_faults else told


def _broken(summary: NightSummary) -> str:
    broken = [promise for promise in summary.promises if promise.ok is False]
    if not broken:
        return ""
    items = "; ".join(f"{promise.number}: {escape(promise.text)}" for promise in broken)
    return (
        f'<p class="broken"><strong>✕ {_count(len(broken), "promise")} broken.</strong> {items}. '
        '<a href="#promises">Details</a></p>'
    )


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def ledger_section(ledger: Ledger) -> str:
    """Return where the time went, longest first."""
    night_s = max(1, ledger.dawn_utc_s - ledger.dusk_utc_s)
    longest = max(ledger.seconds.values(), default=1)
    rows = "".join(
        f"<div><dt>{escape(LABELS[cause])}</dt>"
        f'<dd class="bar k-{group_of(cause)}" style="width:{100 * s / longest:.2f}%"></dd>'
        f'<dd class="took">{_clock_length(s)}<small>{s} s, {s / night_s:.1%}</small></dd></div>'
        for cause, s in sorted(ledger.seconds.items(), key=lambda item: -item[1])
    )
    return (
        "<h2>Where the time went</h2>"
        f"<p>{night_s} seconds between dusk and dawn, each under one cause.</p>"
        f'<dl class="bars">{rows}</dl>'
    )


def _clock_length(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


# Targets and frames --------------------------------------------------------------------------


def targets_section(summary: NightSummary, record: NightRecord, times: LocalTime) -> str:
    """Return what was wanted and got, what was not kept and why, and every frame."""
    rows = [
        (
            escape(target.name),
            escape(order.filter or "none"),
            duration(order.integration_s),
            f"{order.accepted} of {order.wanted}",
            str(order.rejected),
            str(order.doubtful),
            f"{order.exposure_s:g} s",
        )
        for target in summary.targets
        for order in target.orders
    ]
    heads = ("Target", "Filter", "#Integration", "#Accepted", "#Rejected", "#Doubtful", "#Exposure")
    body = table("Frames by order", heads, rows)
    lights = [frame for frame in record.frames.values() if frame.is_light]
    others = [frame for frame in lights if not frame.accepted]
    if others:
        body += "<h3>Not kept, and why</h3>" + table(
            "Light frames that do not count",
            ("Time", "Target", "Filter", "Fate", "Why"),
            [_fate(frame, times) for frame in others],
        )
    calibration = Counter(f.begun.frame for f in record.frames.values() if not f.is_light)
    if calibration:
        counts = joined([f"{n} {escape(frame)}" for frame, n in calibration.items()])
        body += f"<p>Calibration frames: {counts}.</p>"
    every = table(
        "Light frames",
        ("Time", "Target", "Filter", "#Exposure", "Grade", "#HFR px", "#FWHM ″", "#Elongation",
         "#Guiding ″", "#Stars", "#Altitude"),
        [_measures(frame, times) for frame in lights],
    )  # fmt: skip
    return (
        f"<h2>Targets and frames</h2>{body}"
        f"<details><summary>All {len(lights)} light frames with their measures</summary>{every}"
        "</details>"
    )


def _fate(frame: FrameRecord, times: LocalTime) -> tuple[str, ...]:
    signs = {"rejected": "✕ rejected", "doubtful": "◇ doubtful", "lost": "✕ lost"}
    fate = frame.graded.grade if frame.graded else frame.state
    reasons = list(frame.graded.reasons) if frame.graded else []
    if frame.lost is not None:
        reasons.append(frame.lost.reason)
    if frame.first_grade is not None:
        reasons.append(f"{frame.first_grade} when filed, judged again beside more frames")
    return (
        times.markup(frame.began_utc_s),
        escape(frame.begun.target or ""),
        escape(frame.begun.filter or ""),
        signs.get(fate, escape(fate)),
        escape("; ".join(reasons)),
    )


def _measures(frame: FrameRecord, times: LocalTime) -> tuple[str, ...]:
    graded = frame.graded
    return (
        times.markup(frame.began_utc_s),
        escape(frame.begun.target or ""),
        escape(frame.begun.filter or ""),
        f"{frame.exposure_s:g} s",
        escape(graded.grade if graded else frame.state),
        number(graded.hfr_px if graded else None, 2),
        number(graded.fwhm_arcsec if graded else None, 2),
        number(graded.elongation if graded else None, 2),
        number(graded.guide_rms_arcsec if graded else None, 2),
        number(graded.stars if graded else None),
        number(graded.altitude_deg if graded else None, 0, "°"),
    )


def previews_section(record: NightRecord, folder: Path, times: LocalTime) -> str:
    """Return the best frame of each target and filter and those that were not kept."""
    chosen = _worth_seeing(record)
    pictures, budget = [], _PREVIEW_BYTES
    for frame in chosen[:_PREVIEWS]:
        assert frame.filed is not None and frame.filed.preview is not None
        path = folder / frame.filed.preview
        if not path.is_file() or path.stat().st_size > budget:
            continue
        content = path.read_bytes()
        budget -= len(content)
        pictures.append(_picture(frame, content, times))
    if not pictures:
        return ""
    return (
        "<h2>Previews</h2><p>The sharpest of each target and filter, then frames not kept. "
        f'Stretched for the eye.</p><div class="previews">{"".join(pictures)}</div>'
    )


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


def _picture(frame: FrameRecord, content: bytes, times: LocalTime) -> str:
    grade = frame.graded.grade if frame.graded else frame.state
    name = f"{frame.begun.target or frame.begun.frame} {frame.begun.filter or ''}".strip()
    hfr = number(frame.graded.hfr_px if frame.graded else None, 2, "px")
    data = base64.b64encode(content).decode()
    return (
        f'<figure><img alt="{escape(name)}, {grade}" src="data:image/png;base64,{data}">'
        f"<figcaption>{escape(name)}, {times.markup(frame.began_utc_s)}, {grade}, HFR {hfr}"
        "</figcaption></figure>"
    )


# What happened -------------------------------------------------------------------------------


def faults_section(
    summary: NightSummary, events: Sequence[Event], record: NightRecord, times: LocalTime
) -> str:
    """Return faults with their remedies, lookouts, limits and notices."""
    lost = {fault.fault_id: fault.lost_s for fault in summary.faults}
    rows = [_fault(fault, lost[fault_id], times) for fault_id, fault in record.faults.items()]
    body = (
        table("Faults", ("Began", "Ended", "Device", "What", "Remedies", "#Lost"), rows)
        if rows
        else "<p>No fault occurred.</p>"
    )
    told = [
        (event.at_utc_s, event.fact.kind.replace("_", " "), message)
        for event in events
        if (message := _told(event)) is not None
    ]
    if told:
        body += table(
            "Conditions, limits and notices",
            ("Time", "Kind", "What"),
            [(times.markup(at), kind, escape(message)) for at, kind, message in told],
        )
    return f"<h2>Faults and conditions</h2>{body}"


def _told(event: Event) -> str | None:
    fact = event.fact
    if isinstance(fact, LookoutChanged):
        return f"{fact.lookout} {fact.status}: {fact.message}"
    if isinstance(fact, LimitHeld):
        return f"{fact.device}: {fact.message}"
    return fact.message if isinstance(fact, Notice) else None


def _fault(fault: FaultRecord, lost_s: int, times: LocalTime) -> tuple[str, ...]:
    remedies = [
        f"{tried.remedy} ({tried.outcome}{': ' + tried.reason if tried.reason else ''})"
        for _, tried in fault.remedies
    ]
    ended = "open"
    if fault.ended_at_utc_s is not None and fault.ended is not None:
        ended = f"{times.markup(fault.ended_at_utc_s)} {escape(fault.ended.how)}"
    return (
        times.markup(fault.began_at_utc_s),
        ended,
        escape(fault.began.device),
        escape(f"{fault.began.fault}: {fault.began.message}"),
        escape("; ".join(remedies)) or "none tried",
        duration(lost_s),
    )


def decisions_section(events: Sequence[Event], times: LocalTime) -> str:
    """Return the decisions that were not routine, with what was ruled out."""
    decisions = facts_of(events, DecisionMade)
    often = Counter(decision.duty for _, decision in decisions)
    rare = [(at, made) for at, made in decisions if often[made.duty] <= _ROUTINE]
    rows = [
        (
            times.markup(at),
            escape(made.duty),
            escape(made.reason),
            escape("; ".join(f"{option}: {why}" for option, why in made.ruled_out)),
        )
        for at, made in rare[:_DECISIONS]
    ]
    left_out = len(decisions) - len(rows)
    note = f"<p>{left_out} routine decisions are not listed; the journal holds all.</p>"
    body = table("Decisions", ("Time", "Duty", "Why", "Ruled out"), rows)
    return (
        f"<h2>Decisions</h2>{note if left_out else ''}<details><summary>"
        f"{_count(len(rows), 'decision')} that changed the course of the night</summary>"
        f"{body}</details>"
    )


def promises_section(summary: NightSummary) -> str:
    """Return each promise with its verdict."""
    signs = {True: ("✓ kept", "yes"), False: ("✕ broken", "no"), None: ("○ not judged", "open")}
    items = "".join(
        f'<li class="{signs[promise.ok][1]}"><strong>{signs[promise.ok][0]}</strong> '
        f"{promise.number}. {escape(promise.text)}<small>{escape(promise.detail)}</small></li>"
        for promise in summary.promises
    )
    return f'<h2 id="promises">Promises</h2><ul class="promises">{items}</ul>'


def files_section(record: NightRecord, digests: Iterable[tuple[str, str]]) -> str:
    """Return the files of the night with their digests."""
    rows = [(f"<code>{escape(name)}</code>", f"<code>{sha}</code>") for name, sha in digests]
    size = sum(frame.filed.bytes for frame in record.frames.values() if frame.filed)
    body = table("Files and SHA-256", ("File", "SHA-256"), rows)
    return (
        f"<h2>Files and checksums</h2><p>{_count(len(rows), 'file')}, {size / 1e6:.1f} MB. In the "
        "folder of the night, <code>sha256sum -c checksums.sha256</code> verifies all of them.</p>"
        f"<details><summary>List of files</summary>{body}</details>"
    )
