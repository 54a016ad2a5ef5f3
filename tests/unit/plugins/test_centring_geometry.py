from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from midwatch_plugins.duties.centring import broadest, carried
from midwatch_plugins.duties.turning import turn_error_deg


@pytest.mark.parametrize(
    ("found", "wanted", "believed"),
    [
        ((10.0, 20.0), (10.5, 20.3), (10.4, 20.2)),
        ((359.9, -40.0), (0.2, -40.1), (0.3, -40.2)),
        ((40.0, 89.0), (200.0, 89.2), (41.0, 88.9)),
    ],
)
def test_the_correction_is_carried_over(
    found: tuple[float, float], wanted: tuple[float, float], believed: tuple[float, float]
) -> None:
    """astropy's offsets: from the new place, the old one lies as what was found from the wanted."""
    sent = SkyCoord(*carried(found, wanted, believed), unit="deg")
    truth, aim, here = (SkyCoord(*place, unit="deg") for place in (found, wanted, believed))
    assert here.separation(sent).arcsec == pytest.approx(truth.separation(aim).arcsec, rel=2e-2)
    # Turning the sphere keeps all angles between the three pairs.
    assert here.separation(truth).arcsec == pytest.approx(sent.separation(aim).arcsec, abs=1e-6)


def test_nothing_is_carried_where_nothing_is_off() -> None:
    assert carried((10.0, 20.0), (10.0, 20.0), (11.0, -5.0)) == pytest.approx((11.0, -5.0))


@pytest.mark.parametrize(
    ("filters", "best"),
    [
        (("Ha", "OIII", "L", "R"), "L"),
        (("SII", "Lum", "G"), "Lum"),
        (("Ha", "Quad", "SII"), "Quad"),
        (("OIII", "Ha"), "OIII"),
        (("B", "G", "Clear"), "Clear"),
        ((), None),
    ],
)
def test_the_broadest_filter_by_its_name(filters: tuple[str, ...], best: str | None) -> None:
    assert broadest(filters) == best


@dataclass
class Order:
    rotation_deg: float | None
    half_turn: str = "equal"


@pytest.mark.parametrize(
    ("now", "order", "turn"),
    [
        (12.0, Order(None), 0.0),
        (12.0, Order(20.0), 8.0),
        (355.0, Order(5.0), 10.0),
        (170.0, Order(5.0), 15.0),
        (185.0, Order(5.0), 0.0),
        (185.0, Order(5.0, "different"), 180.0),
        (100.0, Order(5.0), 85.0),
        (100.0, Order(5.0, "different"), -95.0),
    ],
)
def test_the_shortest_turn(now: float, order: Order, turn: float) -> None:
    assert turn_error_deg(now, order) == pytest.approx(turn)
    assert np.isclose(
        (now + turn_error_deg(now, order) - (order.rotation_deg or now)) % 180, 0
    ) or (order.rotation_deg is None)
