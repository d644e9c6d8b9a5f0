"""The nearest of a few points, held against scipy's search tree."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from standcam.plants.nearest import nearest_points


@pytest.mark.parametrize(("n", "m", "k"), [(2000, 60, 1), (2000, 60, 4), (50, 3, 3), (1, 1, 1), (3000, 400, 4)])
def test_as_a_search_tree(n, m, k):
    rng = np.random.default_rng(n + m)
    points, others = rng.uniform(-200, 300, (n, 2)), rng.uniform(-200, 300, (m, 2))
    away, which = nearest_points(points, others, k)
    expected, expected_which = cKDTree(others).query(points, k=[*range(1, k + 1)])
    assert away == pytest.approx(expected, rel=1e-12)
    assert (which == expected_which).all()


def test_points_a_hair_apart_are_told_apart():
    others = np.array([[100.0, 0.0], [100.0 - 1e-9, 0.0], [100.0 + 1e-9, 0.0]])
    away, which = nearest_points(np.zeros((1, 2)), others, 3)
    assert which.tolist() == [[1, 0, 2]]
    assert (np.diff(away) > 0).all()


def test_no_points():
    away, which = nearest_points(np.empty((0, 2)), np.ones((3, 2)), 2)
    assert away.shape == which.shape == (0, 2)


def test_beyond_all_numbers_is_far():
    away, _ = nearest_points(np.array([[1e30, 0.0]]), np.zeros((2, 2)))
    assert away[0, 0] > 1e29
