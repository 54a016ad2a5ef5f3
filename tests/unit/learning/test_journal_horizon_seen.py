"""The horizon that frames show, learned over nights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.journal.store import Event
from midwatch.learning import SeenBin
from midwatch.learning.horizon_seen import horizon_text, learn_horizon, proposed_horizon
from midwatch.sky import Horizon, Observer, Place

OBSERVER = Observer(Place(46.2, 13.4, 1200.0))
DECLARED = Horizon.from_pairs([(0, 12), (180, 10), (270, 20)])
# It sets in the west; noon of the first evening, UTC.
RA_DEG, DEC_DEG = 79.1, 34.3
NOON_UTC_S = 1804676400.0  # 2027-03-10T11:00:00Z
DAY_S = 86400.0


def night(
    number: int,
    tree_deg: float,
    *,
    cloud: tuple[float, float] = (0.0, 0.0),
    cloud_percent: float | None = 2.0,
    site: str = "Here",
) -> list[tuple[float, e.Fact]]:
    """Tell a night: frames every ten minutes while a target sets, and of another, high one.

    Stars are gone below `tree_deg`, and everywhere between two hours after noon.
    """
    noon_s = NOON_UTC_S + number * DAY_S
    seen: list[tuple[float, e.Fact]] = [
        (noon_s, e.NightBegan(night=f"n{number}", site=site, rig="R", evening="2027-03-10", seed=1,
                              rehearsal=True, sky_mode="fast", dusk_utc_s=noon_s + 28800,
                              dawn_utc_s=noon_s + 60000, orders_sha256="0" * 64, version="1")),
    ]  # fmt: skip
    for name, ra_deg, dec_deg in (("west", RA_DEG, DEC_DEG), ("high", 210.8, 54.3)):
        seen.append((noon_s, e.TargetPlanned(target=name, ra_deg=ra_deg, dec_deg=dec_deg,
                                             priority=1, wanted=(), windows_utc_s=(),
                                             transit_utc_s=None)))  # fmt: skip
    for step in range(48):
        hours = 8.0 + step / 6.0
        at_s = noon_s + hours * 3600.0
        if step % 3 == 0 and cloud_percent is not None:
            cover = 90.0 if cloud[0] <= hours <= cloud[1] else cloud_percent
            seen.append((at_s, e.Sample(cloud_percent=cover)))
        target = "high" if step % 4 == 3 else "west"
        alt = float(OBSERVER.altaz(RA_DEG, DEC_DEG, at_s + 300.0).alt_deg)
        hidden = (target == "west" and alt < tree_deg) or cloud[0] <= hours <= cloud[1]
        name = f"n{number}-{step}"
        seen += [
            (at_s, e.FrameBegun(exposure_id=name, frame="light", target=target, order_index=0,
                                filter="L", exposure_s=600.0, gain=1, offset=1, binning=1)),
            (at_s + 600, e.FrameRead(exposure_id=name, sha256="0" * 64, began_utc_s=at_s,
                                     exposure_s=600.0)),
            (at_s + 601, e.FrameGraded(exposure_id=name, grade="rejected" if hidden else "accepted",
                                       stars=0 if hidden else 800)),
        ]  # fmt: skip
    return seen


def learned(*nights: list[tuple[float, e.Fact]]) -> tuple[SeenBin, ...]:
    events = [
        Event(seq, at_s, f"n{number}", fact, "")
        for number, seen in enumerate(nights)
        for seq, (at_s, fact) in enumerate(seen)
    ]
    return learn_horizon(events, OBSERVER, DECLARED)


def test_a_tree_is_found_on_the_second_night_and_within_a_step() -> None:
    assert all(b.proposed_deg is None for b in learned(night(0, 31.0)))
    bins = learned(night(0, 31.0), night(1, 31.0))
    found = [b for b in bins if b.proposed_deg is not None]
    assert found
    # Ten minutes of setting are about 1.7 degrees; the edge lies between two frames.
    edge = max(b.proposed_deg or 0.0 for b in found)
    assert 31.0 - 1.9 <= edge <= 31.0 + 1.9
    for b in found:
        assert b.nights == 2
        assert b.hidden >= 3
        assert b.hidden_to_deg is not None
        assert b.hidden_to_deg < 31.0
        assert (b.proposed_deg or 0.0) > b.declared_deg


def test_the_proposal_never_lies_below_the_declared_horizon_nor_below_what_was_learned() -> None:
    bins = learned(night(0, 31.0), night(1, 31.0), night(2, 31.0))
    proposal = proposed_horizon(bins, DECLARED)
    assert proposal is not None
    azimuths = np.arange(0.0, 360.0, 0.05)
    assert np.all(proposal.altitude_deg(azimuths) >= DECLARED.altitude_deg(azimuths) - 1e-9)
    for b in bins:
        if b.proposed_deg is not None:
            inside = np.linspace(b.az_from_deg, b.az_to_deg - 0.1, 50)
            assert np.all(proposal.altitude_deg(inside) >= b.proposed_deg - 1e-9)
    far = np.arange(20.0, 200.0, 1.0)
    assert proposal.altitude_deg(far) == pytest.approx(DECLARED.altitude_deg(far))


def left_soon(number: int, *facts: e.Fact) -> list[tuple[float, e.Fact]]:
    """Make up a night that went on elsewhere when a target sank behind a tree, as was noted."""
    facts_of_night = night(number, -90.0)
    gone_s = NOON_UTC_S + number * DAY_S + 12.5 * 3600.0
    kept = [
        (at_s, fact) for at_s, fact in facts_of_night if at_s < gone_s or isinstance(fact, e.Sample)
    ]
    return sorted([*kept, *((gone_s, fact) for fact in facts)], key=lambda one: one[0])


def test_what_was_left_soon_is_proposed_after_two_nights_at_the_height_where_it_was() -> None:
    hidden = e.FaultBegan(fault_id="1", device="sky", fault="hidden", message="", duty="centre",
                          target="west")  # fmt: skip
    assert all(b.proposed_deg is None for b in learned(left_soon(0, hidden)))
    found = [b for b in learned(left_soon(0, hidden), left_soon(1, hidden)) if b.proposed_deg]
    gone_s = NOON_UTC_S + 12.5 * 3600.0
    altitude = float(OBSERVER.altaz(RA_DEG, DEC_DEG, gone_s).alt_deg)
    assert [b.proposed_deg for b in found] == [pytest.approx(altitude + 1.0, abs=0.8)]


@pytest.mark.parametrize(
    ("diagnosis", "counts"),
    [("hidden", True), ("out_of_focus", False), ("no_light", False), ("covers", False)],
)
def test_a_centring_that_failed_for_another_reason_is_no_horizon(
    diagnosis: str, counts: bool
) -> None:
    failed = e.Centred(target="west", ok=False, attempts=2, error_arcsec=None, rotation_deg=None,
                       scale_arcsec=None, diagnosis=diagnosis)  # fmt: skip
    assert bool(learned(left_soon(0, failed))) == counts


def test_clouds_on_two_nights_are_no_horizon() -> None:
    for cover in (2.0, None):
        nights = [night(n, -90.0, cloud=(12.0, 16.0), cloud_percent=cover) for n in (0, 1)]
        bins = learned(*nights)
        assert all(b.proposed_deg is None for b in bins)


def test_without_a_sensor_other_directions_tell_that_it_was_clear() -> None:
    bins = learned(*(night(n, 31.0, cloud_percent=None) for n in (0, 1)))
    assert any(b.proposed_deg is not None for b in bins)


def test_a_tree_that_is_gone_is_not_proposed() -> None:
    bins = learned(night(0, 31.0), night(1, 31.0), night(2, -90.0), night(3, -90.0))
    assert all(b.proposed_deg is None for b in bins)


def test_nights_elsewhere_teach_nothing() -> None:
    bins = learned(night(0, 31.0, site="There"), night(1, 31.0, site="There"), night(2, -90.0))
    assert bins == ()
    assert learn_horizon([], OBSERVER, DECLARED) == ()
    assert proposed_horizon((), DECLARED) is None


def test_the_file_reads_back_as_the_horizon_that_it_proposes(tmp_path: Path) -> None:
    bins = learned(night(0, 31.0), night(1, 31.0))
    proposal = proposed_horizon(bins, DECLARED)
    assert proposal is not None
    path = tmp_path / "horizon-proposed.txt"
    path.write_text(horizon_text(proposal, bins))
    read = Horizon.from_file(path)
    azimuths = np.arange(0.0, 360.0, 0.5)
    assert read.altitude_deg(azimuths) == pytest.approx(proposal.altitude_deg(azimuths), abs=0.01)
    assert "frames hidden up to" in path.read_text()
