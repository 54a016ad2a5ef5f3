"""What is known of where the mount points. The counts are common practice, no source."""

from __future__ import annotations

from midwatch.journal.facts import Centred, DutyBegan, DutyEnded, Fact, FrameGraded
from midwatch.journal.store import Event
from midwatch.sequencer.facts import RigHistory


def after(*facts: Fact) -> RigHistory:
    rig_history = RigHistory()
    for number, fact in enumerate(facts):
        rig_history.apply(Event(number, 1.8e9 + number, "2027-03-10", fact, ""))
    return rig_history


def light(offset_arcsec: float | None) -> FrameGraded:
    return FrameGraded(
        exposure_id="x", grade="doubtful", stars=900, guided=True, offset_arcsec=offset_arcsec
    )


def centred(before_arcsec: float, *, ok: bool = True) -> Centred:
    return Centred(
        target="A", ok=ok, attempts=1, error_arcsec=1.0, rotation_deg=0.0, scale_arcsec=2.6,
        offset_before_arcsec=before_arcsec,
    )  # fmt: skip


SLEW = (
    DutyBegan(duty="slew", args={"target": "A"}),
    DutyEnded(duty="slew", outcome="done", reason=None, took_s=9.0),
)


def test_two_frames_in_a_row_that_show_no_known_field_put_the_pointing_in_doubt() -> None:
    assert not after(*SLEW, centred(0.0), light(9.0), light(None)).doubted
    assert not after(*SLEW, centred(0.0), light(None), light(9.0), light(None)).doubted
    lost = (*SLEW, centred(0.0), light(9.0), light(None), light(None))
    assert after(*lost).doubted
    assert after(*lost, centred(0.0, ok=False)).doubted
    assert not after(*lost, centred(7000.0)).doubted


def test_where_frames_cannot_be_solved_it_is_asked_once_for_a_target() -> None:
    """Too few stars for a solver, and the mount where it should be: nothing was wrong."""
    dim = (*SLEW, centred(0.0), light(None), light(None), centred(12.0), light(None), light(None))
    assert not after(*dim).doubted
    # Another slew may go astray again; so may a mount that had gone astray before.
    assert after(*dim, *SLEW, light(None), light(None)).doubted
    astray = (*SLEW, light(None), light(None), centred(7000.0), light(None), light(None))
    assert after(*astray).doubted
