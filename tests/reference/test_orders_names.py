"""Deep-sky names against positions from outside the project, and angles against astropy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.orders.models import parse_dec_deg, parse_ra_deg
from midwatch.sky import separation_deg
from midwatch.sky.catalogues import extended_near, find_object, suggest_names

# J2000 positions in common use by handbooks, written from memory; degrees.
HANDBOOK = [
    ("M 31", 10.6847, 41.2692),
    ("M 42", 83.822, -5.391),
    ("M 13", 250.4235, 36.4613),
    ("M 101", 210.8024, 54.3489),
    ("M 51", 202.4696, 47.1952),
    ("M 33", 23.4621, 30.6599),
    ("M 1", 83.6331, 22.0145),
    ("M 57", 283.3962, 33.0292),
    ("M 27", 299.9015, 22.7211),
    ("M 104", 189.9976, -11.6231),
    ("NGC 7293", 337.4107, -20.8371),
    ("NGC 253", 11.8880, -25.2882),
    ("NGC 5139", 201.6968, -47.4796),
    ("NGC 104", 6.0236, -72.0813),
    ("NGC 5128", 201.3651, -43.0191),
    ("NGC 4565", 189.0866, 25.9877),
]


@pytest.mark.parametrize(("name", "ra_deg", "dec_deg"), HANDBOOK)
def test_positions_of_well_known_objects(name, ra_deg, dec_deg):
    found = find_object(name)
    assert found is not None
    assert separation_deg(found.ra_deg, found.dec_deg, ra_deg, dec_deg) < 1 / 60


@pytest.mark.parametrize(
    "names",
    [
        ("M 31", "m31", "M031", "Messier 31", "NGC 224", "ngc224", "NGC0224", "NGC-224",
         "Andromeda Galaxy", "andromeda  galaxy", "Andromeda", "UGC 454", "PGC 2557"),
        ("M 42", "NGC 1976", "Orion Nebula", "The Orion Nebula", "Great Orion Nebula"),
        ("M 45", "Pleiades", "the Pleiades", "Melotte 22"),
        ("Barnard 33", "B33", "Horsehead Nebula"),
        ("NGC 7293", "Caldwell 63", "C 63", "Helix Nebula"),
        ("M 101", "M 102", "NGC 5457", "Pinwheel Galaxy"),
        ("NGC 281", "IC 11"),
        ("NGC 2024", "Flame Nebula"),
    ],
)  # fmt: skip
def test_one_object_under_its_names(names):
    found = {name: find_object(name) for name in names}
    assert None not in found.values(), found
    assert len({item.name for item in found.values() if item}) == 1, found


@pytest.mark.parametrize(
    "name", ["", "  ", "M 0", "M 111", "NGC 7841", "IC 67", "Nebula", "\ud800", "'; --"]
)
def test_what_is_not_catalogued_is_not_found(name):
    # The last Messier number in use is 110, the last of the NGC 7840; IC 67 does not exist.
    assert find_object(name) is None


def test_facts_of_an_object():
    # Size and position angle of M 31 (about 3 degrees by 1, along 35 degrees): common handbook
    # values, from memory.
    galaxy = find_object("M 31")
    assert galaxy is not None
    assert galaxy.kind == "galaxy"
    assert galaxy.major_arcmin == pytest.approx(180, abs=15)
    assert galaxy.minor_arcmin == pytest.approx(65, abs=10)
    assert galaxy.position_angle_deg == pytest.approx(35, abs=3)
    assert galaxy.magnitude == pytest.approx(3.4, abs=0.2)
    assert "M 31" in galaxy.other_names
    assert "Andromeda Galaxy" in galaxy.other_names


@pytest.mark.parametrize(
    ("word", "meant"),
    [("Orin Nebula", "Orion Nebula"), ("Rosete nebula", "Rosette Nebula"), ("M 1011", "M 101"),
     ("Pinweel Galaxy", "Pinwheel Galaxy"), ("NGC 22444", "NGC 2244")],
)  # fmt: skip
def test_slips_get_what_was_meant(word, meant):
    near = suggest_names(word)
    assert meant in near
    assert len(near) <= 3
    assert all(find_object(name) for name in near)


def test_extended_objects_of_a_field():
    rows = extended_near(83.82, -5.39, 1.0)
    names = list(rows["name"])
    # The nebulae of Orion's sword lie within a degree of its brightest part.
    assert {"NGC 1976", "NGC 1982", "NGC 1977"} <= set(names)
    assert np.all(np.diff(rows["major_arcmin"]) <= 0)
    for row in rows:
        assert separation_deg(83.82, -5.39, row["ra_deg"], row["dec_deg"]) <= 1.0
        assert 0 < row["minor_arcmin"] <= row["major_arcmin"]
    assert len(extended_near(83.82, -5.39, 1e-6)) == 0
    assert len(extended_near(0.0, 90.0, 180.0)) > 9000


@settings(max_examples=80, deadline=None)
@given(st.floats(0, 359.9999), st.floats(-90, 90))
def test_sexagesimal_text_written_by_astropy_is_read_back(ra_deg, dec_deg):
    ra, dec = Angle(ra_deg, u.deg), Angle(dec_deg, u.deg)
    for separator in ("fromunit", ":", " "):
        text = ra.to_string(unit=u.hourangle, sep=separator, precision=4, pad=True)
        if not text.startswith("24"):
            assert math.isclose(parse_ra_deg(text), ra_deg, abs_tol=1e-5)
        text = dec.to_string(unit=u.deg, sep=separator, precision=3, alwayssign=True, pad=True)
        assert math.isclose(parse_dec_deg(text), dec_deg, abs_tol=1e-5)
