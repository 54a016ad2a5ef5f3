"""What faults cost: dark seconds that brought no frame because of them, each charged once."""

from __future__ import annotations

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import NightRecord, account
from midwatch.reports import folded_remedies
from midwatch.reports.fault_costs import fault_costs
from support.journal_story import as_events, began

ENDED = e.NightEnded(how="dawn", parked=True, warm=True, closed=True)
DAWN = 10_000.0


def light(name: str, at: float, grade: str | None) -> list[tuple[float, e.Fact]]:
    """An exposure with its verdict; without one it was never read out."""
    begun = e.FrameBegun(exposure_id=name, frame="light", target="M 101", order_index=0,
                         filter="L", exposure_s=300.0, gain=0, offset=0, binning=1)  # fmt: skip
    opened: list[tuple[float, e.Fact]] = [(at, begun), (at, e.Activity(cause="open_shutter"))]
    ends = at + 300.0
    if grade is None:
        return [*opened, (ends, e.FrameLost(exposure_id=name, reason="the camera has gone"))]
    read = e.FrameRead(exposure_id=name, began_utc_s=at, exposure_s=300.0, sha256="0")
    return [*opened, (ends, read), (ends, e.FrameGraded(exposure_id=name, grade=grade))]


def fault(device: str, name: str = "x") -> e.FaultBegan:
    return e.FaultBegan(fault_id=device, device=device, fault=name, message="")


def costs(*seen) -> dict[str, int]:
    flat = [(100.0, began(0.0, DAWN))]
    for one in seen:
        flat += [one] if isinstance(one, tuple) else list(one)
    events = as_events(*flat, (DAWN, ENDED))
    record = NightRecord.from_events(events)
    frames = list(record.frames.values())
    return dict(fault_costs(list(record.faults.values()), frames, account(events, 0.0, DAWN)))


def test_light_that_is_rejected_during_a_fault_is_its_cost() -> None:
    """A cooler that dies spoils frame after frame, and nothing else shows it."""
    assert costs(
        light("a", 1000.0, "accepted"),
        (1400.0, fault("camera", "not_cold")),
        light("b", 1500.0, "rejected"),
        light("c", 2000.0, "rejected"),
        light("d", 2500.0, "accepted"),
        light("e", 3000.0, "rejected"),
    ) == {"camera": 900}


def test_getting_ready_again_is_charged_to_the_first_frame_that_is_kept() -> None:
    seen = (
        light("a", 1000.0, None),
        (1300.0, fault("mount", "unplugged")),
        (1300.0, e.Activity(cause="fault")),
        (1400.0, e.FaultEnded(fault_id="mount", how="back")),
        (1400.0, e.Activity(cause="slewing")),
        (1460.0, e.Activity(cause="centring")),
        (1500.0, e.Activity(cause="guiding")),
        light("b", 1550.0, "accepted"),
        (1850.0, e.Activity(cause="centring")),
    )
    # 100 s down, 150 s of getting ready; the exposure that it cut short had ended by then.
    assert costs(*seen) == {"mount": 250}
    cut = (*seen[:1], (1299.0, fault("mount", "unplugged")), *seen[2:])
    assert costs(*cut) == {"mount": 300 + 250}


def test_ordinary_work_is_not_charged_to_a_fault_that_holds_nothing_up() -> None:
    assert costs(
        (900.0, fault("focuser", "not_connected")),
        light("a", 900.0, "accepted"),
        (1200.0, e.Activity(cause="slewing")),
        (1300.0, e.Activity(cause="centring")),
        light("b", 1400.0, "accepted"),
    ) == {"focuser": 0}


def test_a_roof_closed_for_want_of_readings_is_the_cost_of_the_sensor() -> None:
    seen = (
        light("a", 500.0, "accepted"),
        (900.0, fault("weather", "silent")),
        (900.0, e.Activity(cause="closing")),
        (1000.0, e.Activity(cause="unsafe")),
        (2000.0, e.FaultEnded(fault_id="weather", how="back")),
        light("b", 2000.0, "rejected"),
    )
    assert costs(*seen) == {"weather": 1100}


def test_attempts_of_one_kind_are_folded() -> None:
    tried = [
        (1000.0 + n, e.RemedyTried(fault_id="mount", remedy="reconnect", attempt=n + 1,
                                   outcome="failed", reason=f"no answer {n}"))
        for n in range(421)
    ]  # fmt: skip
    tried.append((1500.0, e.RemedyTried(fault_id="mount", remedy="restart_driver", attempt=1,
                                        outcome="done", reason=None)))  # fmt: skip
    record = NightRecord.from_events(as_events((900.0, fault("mount")), *tried))
    assert folded_remedies(record.faults["mount"]) == [
        "reconnect x 421 (failed)", "restart driver (done)",
    ]  # fmt: skip
    assert folded_remedies(record.faults["mount"], reasons=True)[0] == (
        "reconnect x 421 (failed: no answer 420)"
    )
