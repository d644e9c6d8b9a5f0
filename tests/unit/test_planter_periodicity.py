from __future__ import annotations

import numpy as np
import pytest
from fixtures.planter_rows import S, planter_rows, stretch_of, tables_of

from standcam.planter.periodicity import recurrences
from standcam.planter.places import KEYS, seed_places


def looked(seed, cells=None, sd=2.0, **planter):
    gaps, rows = planter_rows(np.random.default_rng(seed), sd=sd, **planter)
    places = seed_places(gaps, S, sd, 0.06, 0.03)
    units = places.keys.merge(rows, on=KEYS, how="left")["row_unit"].tolist()
    return recurrences(places, units, cells)


def test_chance_finds_little():
    # 5 % over all signals and cell numbers: of 20 one is expected, four or more come once in 60
    assert sum(bool(looked(seed, units=1, rows=1, places=200).found) for seed in range(20)) <= 3


def test_a_bad_cell_is_found_by_search():
    right = 0
    for seed in range(6):
        found = looked(seed, units=1, rows=1, places=260, bad={1: {"cell": (30, 0.9)}}).found
        right += any(r.signal == "missing" and r.cells == 30 for r in found)
    assert right >= 4


def test_a_given_number_of_cells_needs_less():
    found = [looked(s, 24, units=1, rows=1, places=150, bad={1: {"cell": (24, 0.9)}}).found for s in range(6)]
    assert sum(bool(f) and f[0].signal == "missing" for f in found) >= 4


def test_the_phase_of_each_row_is_its_own():
    # two rows that begin at unlike cells
    rng = np.random.default_rng(1)
    made = []
    for row, phase in ((1, 3), (2, 17)):
        place = np.arange(150)
        keep = place % 24 != phase
        made.append(stretch_of(list(S / 2 + S * (place + rng.normal(0, 0.1, 150))[keep]), 150 * S, row))
    found = recurrences(seed_places(tables_of(made)[0], S, 2)).found
    assert found[0].cells == 24 and found[0].signal == "missing" and found[0].p_value < 0.01


def test_the_unit_is_named():
    outcome = looked(3, units=4, rows=1, places=240, bad={2: {"cell": (30, 1.0)}})
    assert [(r.group, r.cells) for r in outcome.found] == [("2", 30)]
    assert "Missing plants come back every 30 seeds in unit 2" in outcome.sentence


def test_seed_thrown_off_by_one_cell():
    rng = np.random.default_rng(2)
    place = np.arange(240) + rng.normal(0, 0.08, 240)
    place[5::30] += 0.3
    gaps, _ = tables_of([stretch_of(list(S / 2 + S * place), 240 * S)])
    found = recurrences(seed_places(gaps, S, 2)).found
    assert found[0].signal == "offset" and found[0].cells == 30


def test_patches_are_no_rhythm():
    alarms = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        share = np.repeat(0.1 * np.exp(rng.normal(0, 1, 20)), 12).clip(0, 0.8)
        x = S / 2 + S * (np.arange(240) + rng.normal(0, 0.1, 240))
        gaps, _ = tables_of([stretch_of(list(x[rng.random(240) > share]), 240 * S)])
        alarms += bool(recurrences(seed_places(gaps, S, 2)).found)
    assert alarms <= 2


@pytest.mark.parametrize("cells", [None, 30])
def test_short_rows_are_told(cells):
    outcome = looked(1, cells, units=1, rows=4, places=14)
    if cells is None:
        assert outcome.cells == () or max(outcome.cells) <= 10
    else:
        assert not outcome.tested and not outcome.found
        assert "cannot be told" in outcome.sentence and "rows of 60 or more" in outcome.sentence


def test_too_few_faults():
    gaps, _ = tables_of([stretch_of(list(S / 2 + S * np.arange(100)), 100 * S)])
    outcome = recurrences(seed_places(gaps, S, 2), cells=30)
    assert not outcome.found
    assert [r.signal for r in outcome.looked_at] == ["offset"]


def test_equal_input_equal_answer():
    a, b = (looked(4, units=1, rows=1, places=150) for _ in range(2))
    assert a.looked_at == b.looked_at
