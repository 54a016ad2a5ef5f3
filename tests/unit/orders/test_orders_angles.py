from __future__ import annotations

import pytest

from midwatch.orders.models import AngleError, parse_dec_deg, parse_ra_deg


@pytest.mark.parametrize(
    "text",
    [
        "05h35m17.3s",
        "5:35:17.3",
        "05 35 17.3",
        " 5h 35m 17.3s ",
        "5h35\u203217.3\u2033",
        "5h35'17.3\"",
    ],
)
def test_notations_of_right_ascension(text):
    # 5 h = 75 deg, 35 min = 8.75 deg, 17.3 s = 0.0720833 deg.
    assert parse_ra_deg(text) == pytest.approx(83.82208333, abs=1e-8)


@pytest.mark.parametrize(
    "text",
    ["-05d23m28s", "-5:23:28", "-5 23 28", "- 05d23m28s", "\u221205°23'28\"", "-05:23:28.0"],
)
def test_notations_of_declination(text):
    assert parse_dec_deg(text) == pytest.approx(-(5 + 23 / 60 + 28 / 3600), abs=1e-12)


def test_the_sign_holds_within_the_first_degree():
    assert parse_dec_deg("-00d30m00s") == -0.5
    assert parse_dec_deg("+41 16 09") == pytest.approx(41.26916667, abs=1e-8)


def test_numbers_are_degrees_and_seconds_may_be_left_out():
    assert parse_ra_deg(83.82) == 83.82
    assert parse_dec_deg(-90) == -90.0
    assert parse_ra_deg("5h35.5m") == pytest.approx(83.875)
    assert parse_dec_deg("5:30") == 5.5


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (360, "outside 0 to 360"),
        (-0.1, "outside 0 to 360"),
        ("24h00m00s", "outside 0 h to 24 h"),
        ("-5h00m00s", "outside 0 h to 24 h"),
        ("83d22m11s", "degrees where hours belong"),
        ("5:60:00", "60 and more"),
        ("5:35:60", "60 and more"),
        ("5h35.5m10s", "decimals before its last part"),
        ("83.82", "not a coordinate"),
        ("5:35 17", "not a coordinate"),
        ("5h35m17", "not a coordinate"),
        ("m31", "not a coordinate"),
        ("", "not a coordinate"),
        ("\u0665:35:17", "not a coordinate"),
    ],
)
def test_impossible_right_ascensions(text, message):
    with pytest.raises(AngleError) as caught:
        parse_ra_deg(text)
    assert message in caught.value.message
    assert "degrees from 0 up to 360" in caught.value.hint
    assert "05h35m17s" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (90.1, "outside -90 to 90"),
        ("-90d00m01s", "outside -90 to 90"),
        ("5h23m28s", "hours where degrees belong"),
        ("+-5:23:28", "not a coordinate"),
    ],
)
def test_impossible_declinations(text, message):
    with pytest.raises(AngleError) as caught:
        parse_dec_deg(text)
    assert message in caught.value.message
    assert "degrees from -90 to 90" in caught.value.hint
    assert "-05d23m28s" in caught.value.hint
