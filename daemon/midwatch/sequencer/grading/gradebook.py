"""The night's grades so far: judges light frames, and looks at the early ones again.

The first frames of a kind have nothing to be compared with. They are judged by absolute bounds
alone, and again as others come, until they have been compared with enough. A later look only ever
takes back: it never makes good what was once found bad.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import structlog

from midwatch.journal.facts import Grade
from midwatch.journal.record import NightRecord
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.grading.grader import Grader, LightFrame, Verdict

__all__ = ["Graded", "earlier_lights", "judge", "look_again"]

_log = structlog.get_logger(__name__)

_ORDER: tuple[Grade, ...] = ("accepted", "doubtful", "rejected")
# Others with which a frame must have been compared before its grade is final. Too few: a night that
# begins under thin cloud takes it for clear; too many: frames taken for good are withdrawn late.
_SETTLED = 24
# Fewer others of the same length say little; those of other lengths are looked at as well.
_ENOUGH = 5


@dataclass
class Graded:
    """A light frame with its grade, and the number of others with which it was compared."""

    light: LightFrame
    grade: Grade
    compared: int


def judge(
    graders: Mapping[str, Grader], book: list[Graded], light: LightFrame, bounds: GradingSettings
) -> tuple[Verdict, int]:
    """Enter a frame into the book; return the worst opinion of all graders, and of how many others.

    Reasons are kept of the graders whose opinion is the worst.
    """
    others = _others(book, light)
    verdict = _worst(graders, light, others, bounds)
    book.append(Graded(light, verdict.grade, len(others)))
    return verdict, len(others)


def look_again(
    graders: Mapping[str, Grader], book: list[Graded], light: LightFrame, bounds: GradingSettings
) -> Iterable[tuple[Graded, Grade, Verdict]]:
    """Judge again the frames like this one whose grade is not final; yield those that got worse.

    Each comes with the grade that it had before.
    """
    setting = _setting(light)
    for entry in book:
        final = entry.grade == "rejected" or entry.compared >= _SETTLED
        if final or _setting(entry.light) != setting:
            continue
        others = _others(book, entry.light)
        if len(others) <= entry.compared:
            continue
        verdict = _worst(graders, entry.light, others, bounds)
        entry.compared = len(others)
        before = entry.grade
        if _ORDER.index(verdict.grade) > _ORDER.index(before):
            entry.grade = verdict.grade
            yield entry, before, verdict


def earlier_lights(record: NightRecord) -> list[Graded]:
    """Return the book of a night as its record has it, oldest first."""
    found: list[Graded] = []
    for frame in record.frames.values():
        graded, begun = frame.graded, frame.begun
        if graded is None or begun.target is None:
            continue
        measures = graded.model_dump(include=set(LightFrame.__dataclass_fields__) - {"exposure_id"})
        light = LightFrame(
            target=begun.target,
            filter=begun.filter,
            exposure_s=begun.exposure_s,
            exposure_id=begun.exposure_id,
            began_utc_s=frame.began_utc_s,
            gain=begun.gain,
            offset=begun.offset,
            binning=begun.binning,
            **measures,
        )
        found.append(Graded(light, graded.grade, graded.compared))
    return found


def _worst(
    graders: Mapping[str, Grader],
    light: LightFrame,
    others: tuple[LightFrame, ...],
    bounds: GradingSettings,
) -> Verdict:
    opinions = [_opinion(grader, light, others, bounds) for grader in graders.values()]
    grade: Grade = max((o.grade for o in opinions), key=_ORDER.index, default="accepted")
    reasons = tuple(r for o in opinions if o.grade == grade for r in o.reasons)
    shares = [o.star_share for o in opinions if o.star_share is not None]
    return Verdict(grade, reasons or ("no grader objected",), min(shares, default=None))


def _opinion(
    grader: Grader, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
) -> Verdict:
    """Ask a grader; one that stumbles must not keep a frame from being filed."""
    try:
        return grader.grade(light, others, bounds)
    except Exception as error:
        _log.exception("grader_failed", grader=grader.name, exposure_id=light.exposure_id)
        return Verdict("doubtful", (f"the grader {grader.name} failed: {error!r}",))


def _others(book: Iterable[Graded], light: LightFrame) -> tuple[LightFrame, ...]:
    """Return the accepted frames of the same order; with too few, those of other lengths too."""
    setting = _setting(light)
    alike = tuple(
        entry.light
        for entry in book
        if entry.grade == "accepted"
        and entry.light.exposure_id != light.exposure_id
        and _setting(entry.light) == setting
    )
    same = tuple(other for other in alike if other.exposure_s == light.exposure_s)
    return same if len(same) >= _ENOUGH else alike


def _setting(light: LightFrame) -> tuple[str, str | None, int, int, int]:
    """Return what must be equal of frames that are compared, besides their length."""
    return (light.target, light.filter, light.gain, light.offset, light.binning)
