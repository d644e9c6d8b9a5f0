"""Straw, stones and stubble: how many, how large, where."""

import numpy as np
import pytest

from standcam.synthetic.recipe import GroundRecipe
from standcam.synthetic.residue import stone_mesh, straw_mesh, stubble_mesh
from standcam.synthetic.strip_render import _litter

LOW, HIGH = np.array([-1000.0, 500.0]), np.array([3000.0, 2500.0])


@pytest.mark.parametrize(("make", "a_piece"), [(stone_mesh, 2 * 3 * 10), (stubble_mesh, 2 * 15 * 7 + 2 * 7)])
def test_as_many_as_asked_and_inside(make, a_piece):
    mesh = make(LOW, HIGH, 30.0, np.random.default_rng(1))
    assert len(mesh) % a_piece == 0
    assert len(mesh) / a_piece == pytest.approx(240, abs=4 * np.sqrt(240))  # Poisson
    middle = mesh.corners[..., :2].reshape(-1, a_piece * 3, 2)[:, 0]
    assert ((middle > LOW - 100) & (middle < HIGH + 100)).all()
    assert (mesh.owner == 0).all() and ((mesh.colour > 0) & (mesh.colour < 1)).all()


def test_stones_are_low_and_stubble_is_tall():
    stones = stone_mesh(LOW, HIGH, 50.0, np.random.default_rng(2)).corners[..., 2]
    stubble = stubble_mesh(LOW, HIGH, 10.0, np.random.default_rng(2)).corners[..., 2]
    assert stones.min() >= -2 and 10 < stones.max() <= 45
    assert 120 < stubble.max() < 225
    assert not len(stone_mesh(LOW, HIGH, 0.0, np.random.default_rng(2)))
    assert not len(stubble_mesh(LOW, HIGH, 0.0, np.random.default_rng(2)))


def test_litter_is_the_same_whichever_tile_asks():
    ground = GroundRecipe(straw_per_m2=20.0, stones_per_m2=10.0, stubble_per_m2=3.0)
    a = _litter(LOW, HIGH, ground, 5)
    b = _litter(LOW + 700, HIGH + 700, ground, 5)
    both = [
        np.unique(m.corners[((m.corners[..., :2] > LOW + 700) & (m.corners[..., :2] < HIGH)).all((1, 2))].sum((1, 2)))
        for m in (a, b)
    ]
    np.testing.assert_array_equal(*both)
    assert len(both[0]) > 500
    assert len(straw_mesh(LOW, HIGH, 20.0, np.random.default_rng(1))) > 0
