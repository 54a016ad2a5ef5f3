"""Instants in texts: UTC where they are kept, the site's time where they are shown."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from midwatch.instants import all_in_zone, in_zone, instant

VIENNA = ZoneInfo("Europe/Vienna")
EVENING_S = 1_804_714_865.9  # 2027-03-10 21:41:05.9 UTC (GNU date)


def test_an_instant_is_kept_as_utc_and_shown_as_the_sites_time() -> None:
    kept = f"no target can be imaged before {instant(EVENING_S)}; then M 101"
    assert kept == "no target can be imaged before 2027-03-10T21:41:05Z; then M 101"
    assert in_zone(kept, VIENNA) == "no target can be imaged before 22:41; then M 101"
    assert in_zone(kept, UTC) == "no target can be imaged before 21:41; then M 101"
    # Nepal is 5 h 45 min ahead: it is the next day there.
    assert in_zone(kept, ZoneInfo("Asia/Kathmandu")).split()[6] == "03:26;"


@pytest.mark.parametrize("at_s", [float("inf"), -1.0, 1e12])
def test_what_never_comes_is_called_so(at_s: float) -> None:
    assert instant(at_s) == "never"


@pytest.mark.parametrize(
    "text",
    ["", "M 101", "frame 20270310T214105Z.fits", "2027-13-45T99:99:99Z is no date",
     "2027-03-10T21:41:05Z"],
)  # fmt: skip
def test_other_texts_stay(text: str) -> None:
    assert in_zone(text, VIENNA) == text


def test_every_text_of_a_view_is_shown_in_its_zone() -> None:
    @dataclass(frozen=True)
    class Row:
        text: str
        number: int
        parts: tuple[tuple[str, str], ...]

    kept = instant(EVENING_S)
    view = [Row(f"at {kept}", 3, (("a", f"since {kept}"),)), Row("plain", 4, ())]
    shown = all_in_zone(view, VIENNA)
    assert shown == [Row("at 22:41", 3, (("a", "since 22:41"),)), Row("plain", 4, ())]
    assert shown[1] is view[1]
