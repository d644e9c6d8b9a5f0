"""What plants say of rows: ends where plants stand, and the same whether rows are weighed together or alone."""

import numpy as np
import pytest

from standcam.rows import evidence
from standcam.settings import StripRowSettings

SETTINGS = StripRowSettings()


def strewn(seed: int = 1):
    """Rows of very different length, plants on them and weeds about them. -> row, u, off, weight"""
    rng = np.random.default_rng(seed)
    parts = []
    for row, length in enumerate((120.0, 5000.0, 900.0, 300.0, 2500.0)):
        u = np.arange(50.0 * row, 50.0 * row + length, 17.0)
        parts.append((np.full(len(u), row), u, rng.normal(0, 1.5, len(u)), rng.uniform(0.5, 1.0, len(u))))
        weeds = rng.poisson(length / 60)
        parts.append((
            np.full(weeds, row), rng.uniform(0, length + 400, weeds), rng.uniform(-38, 38, weeds), np.full(weeds, 0.3)
        ))  # fmt: skip
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def weighed(points, rows: int, room=60.0):
    corridor = np.full(rows, 5.0)
    beside = evidence.beside_rows(corridor, 76.0)
    return evidence.weigh_rows(*points, corridor, beside, np.broadcast_to(room, rows).astype(float), SETTINGS)


@pytest.mark.parametrize("most", [1, 200, 10**6])
@pytest.mark.parametrize("room", [60.0, 0.0])
def test_rows_are_weighed_alike_together_and_alone(monkeypatch, most, room):
    points = strewn()
    monkeypatch.setattr(evidence, "_MOST_CELLS", most)
    together = weighed(points, 5, room)
    for row in range(5):
        own = points[0] == row
        alone = weighed((np.zeros(own.sum(), int), *(column[own] for column in points[1:])), 1, room)
        for name, value in vars(together).items():
            assert value[row] == pytest.approx(vars(alone)[name][0], rel=1e-9), name


def test_ends_lie_at_the_first_and_last_plant():
    points = strewn()
    found = weighed(points, 5)
    for row, length in enumerate((120.0, 5000.0, 900.0, 300.0, 2500.0)):
        assert found.first_cm[row] == pytest.approx(50.0 * row, abs=35)
        assert found.last_cm[row] == pytest.approx(50.0 * row + length, abs=45)
    assert (np.diff(found.evidence[[0, 3, 2, 4, 1]]) > 0).all()  # longer rows, more evidence


def test_rows_without_plants_have_no_ends():
    points = strewn()
    other = points[0] != 2
    found = weighed(tuple(column[other] for column in points), 6)
    assert np.isnan(found.first_cm[[2, 5]]).all() and (found.evidence[[2, 5]] == -np.inf).all()
    assert np.isfinite(found.first_cm[[0, 1, 3, 4]]).all()
    none = weighed(tuple(column[:0] for column in points), 3)
    assert np.isnan(none.first_cm).all() and (none.plants == 0).all()
