"""Trees above a horizon."""

from __future__ import annotations

import numpy as np

from midwatch.sky import Horizon, TreeLine

HORIZON = Horizon.from_pairs([(0, 12), (180, 10), (270, 20)])
AZIMUTHS = np.arange(0.0, 360.0, 0.1)


def test_trees_are_as_tall_as_was_asked_for_on_average_and_ragged() -> None:
    above = TreeLine(HORIZON, 10.0).edge_deg(AZIMUTHS) - HORIZON.altitude_deg(AZIMUTHS)
    assert 8.0 < np.mean(above) < 11.0
    assert np.min(above) < 6.0 and np.max(above) > 12.0
    # No offset by azimuth: the edge turns up and down every few degrees.
    turns = np.count_nonzero(np.diff(np.sign(np.diff(above))))
    assert turns > 60


def test_stars_fade_out_below_the_edge() -> None:
    trees = TreeLine(HORIZON, 10.0)
    edge = trees.edge_deg(AZIMUTHS)
    assert np.all(trees.open_share(AZIMUTHS, edge + 0.01) == 1.0)
    assert np.all(trees.open_share(AZIMUTHS, edge - 3.0) == 0.0)
    part = trees.open_share(AZIMUTHS, edge - 1.0)
    assert np.all((part > 0.2) & (part < 0.8))


def test_trees_are_the_same_every_night() -> None:
    one, other = TreeLine(HORIZON, 10.0), TreeLine(Horizon(HORIZON.points), 10.0)
    assert np.array_equal(one.edge_deg(AZIMUTHS), other.edge_deg(AZIMUTHS))
