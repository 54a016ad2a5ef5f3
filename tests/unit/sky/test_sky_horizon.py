from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.sky import Horizon, HorizonFileError

# Every azimuth a file could hold, to the thousandth of a degree.
AZIMUTHS = st.integers(0, 359_999).map(lambda thousandths: thousandths / 1000.0)
POINTS = st.dictionaries(AZIMUTHS, st.floats(-10.0, 80.0), min_size=1, max_size=20)


def test_altitudes_between_points():
    # Checked against numpy interp by hand: (0 + 360 wraps) 27.5, 13.5, 30, 20 degrees.
    horizon = Horizon.from_pairs([(0, 20), (90, 35), (135, 15), (180, 12), (225, 30), (300, 40)])
    found = horizon.altitude_deg([45.0, 157.5, 330.0, 359.9999, 0.0, 360.0])
    assert found == pytest.approx([27.5, 13.5, 30.0, 20.0, 20.0, 20.0], abs=0.001)


def test_altitudes_around_north_when_no_point_stands_there():
    horizon = Horizon.from_pairs([(350, 45), (10, 10), (80, 10), (200, 15)])
    assert horizon.altitude_deg([0.0, 5.0, 355.0]) == pytest.approx([27.5, 18.75, 36.25])


@given(POINTS, st.floats(-720.0, 720.0))
def test_single_and_vectorised_altitudes_agree(points, azimuth):
    horizon = Horizon.from_pairs(points.items())
    single = horizon.altitude_at(azimuth)
    assert single == pytest.approx(float(horizon.altitude_deg(azimuth)), abs=1e-6)
    assert min(points.values()) - 1e-9 <= single <= max(points.values()) + 1e-9


def test_a_tiny_negative_azimuth_is_north():
    assert Horizon.from_pairs([(0, 20), (90, 35)]).altitude_at(-1e-20) == 20.0


def test_shapes_are_kept():
    assert Horizon.flat(12.0).altitude_deg(np.zeros((2, 3))).shape == (2, 3)
    assert float(Horizon.flat(12.0).altitude_deg(271.3)) == 12.0


def test_raising_stops_at_the_zenith():
    raised = Horizon.from_pairs([(0, 20), (90, 88)]).raised(5.0)
    assert raised.points == ((0.0, 25.0), (90.0, 90.0))


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ([], "at least one point"),
        ([(-1, 10)], "azimuth -1 deg is not within"),
        ([(10, 95)], "altitude 95 deg is not within"),
        ([(float("nan"), 10)], "azimuth nan deg"),
        ([(10, 10), (10, 20)], "two altitudes"),
        ([(0, 10), (360, 20)], "two altitudes"),
    ],
)
def test_points_that_make_no_horizon(pairs, message):
    with pytest.raises(ValueError, match=message):
        Horizon.from_pairs(pairs)


def test_points_too_near_to_part_are_one_or_an_error():
    assert Horizon.from_pairs([(0.0, 10.0), (1e-310, 10.0)]).points == ((0.0, 10.0),)
    with pytest.raises(ValueError, match="two altitudes"):
        Horizon.from_pairs([(0.0, 10.0), (1e-310, 20.0)])
    with pytest.raises(ValueError, match="must rise"):
        Horizon(((0.0, 10.0), (1e-310, 20.0)))


def test_points_out_of_order_are_refused_where_they_are_not_sorted():
    with pytest.raises(ValueError, match="must rise"):
        Horizon(((90.0, 10.0), (0.0, 10.0)))


def test_north_given_twice_alike_is_one_point():
    assert Horizon.from_pairs([(0, 10), (90, 20), (360, 10)]).points == ((0, 10), (90, 20))


@pytest.mark.parametrize("separator", [" ", "\t", ",", ", ", ";"])
def test_file_with_each_separator(tmp_path, separator):
    path = tmp_path / "horizon.txt"
    lines = ["# garden", "", f"0{separator}20", f"90{separator}35.5  # the oak", "180,12"]
    path.write_text("\n".join(lines), encoding="utf-8")
    assert Horizon.from_file(path).points == ((0, 20), (90, 35.5), (180, 12))


def test_file_with_titles_and_a_byte_order_mark(tmp_path):
    path = tmp_path / "horizon.csv"
    path.write_text("\ufeffazimuth,altitude\n0,20\n90,35\n", encoding="utf-8")
    assert Horizon.from_file(str(path)).points == ((0, 20), (90, 35))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0 20\n90 abc\n", "line 2: 'abc' is not a number"),
        ("0 20\n# x\n90\n", "line 3: expected azimuth and altitude, found 1 field"),
        ("0 20 5\n", "line 1: expected azimuth and altitude, found 3 fields"),
        ("0 20\n400 10\n", "line 2: azimuth 400 deg"),
        ("0 20\n10 91\n", "line 2: altitude 91 deg"),
        ("0 20\n10 30\n10 40\n", "line 3: azimuth 10 deg has two altitudes"),
        ("az alt\naz alt\n0 20\n", "line 2: 'az' is not a number"),
        ("# nothing\n", "holds no line"),
        ("", "holds no line"),
    ],
)
def test_file_errors_name_the_line(tmp_path, text, message):
    path = tmp_path / "horizon.txt"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(HorizonFileError, match=message) as caught:
        Horizon.from_file(path)
    assert str(path) in str(caught.value)


def test_file_that_cannot_be_read(tmp_path):
    with pytest.raises(HorizonFileError, match="cannot be read as text"):
        Horizon.from_file(tmp_path / "absent.txt")
    binary = tmp_path / "horizon.bin"
    binary.write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(HorizonFileError, match="cannot be read as text"):
        Horizon.from_file(binary)
