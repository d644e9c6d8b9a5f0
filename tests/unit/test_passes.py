"""Passes and row units from distances between rows."""

import numpy as np
import pytest

from standcam.errors import BadSettings
from standcam.rows.curve import CurvedRow
from standcam.rows.passes import label_passes
from standcam.rows.strip import RowGroup, StripRows
from standcam.settings import PassSettings


def strip(gaps, direction_deg=90.0, width=76.0, groups=1) -> StripRows:
    """Straight rows of 20 m with these distances."""
    across = np.r_[0.0, np.nancumsum(gaps)]
    a = np.deg2rad(direction_deg)
    d, right = np.array([np.cos(a), np.sin(a)]), np.array([np.sin(a), -np.cos(a)])
    rows = tuple(CurvedRow(np.array([v * right, v * right + 2000 * d]), 0.0, 2000.0, 1.0) for v in across)
    n = len(rows)
    return StripRows(
        rows * groups,
        np.repeat(np.arange(1, groups + 1), n),
        tuple(np.array([[0.0, 2000.0]]) for _ in range(n * groups)),
        np.zeros((n * groups, 2), bool),
        np.tile(np.r_[np.nan, gaps], groups),
        tuple(RowGroup(k + 1, direction_deg, width, n, width, 16.0) for k in range(groups)),
    )


def guessed(rows, n, first, guess, width=76.0, seed=0, sd=0.5):
    """Distances of rows in passes of n, the first whole one from row ``first`` (from 1)."""
    rng = np.random.default_rng(seed)
    gaps = width + rng.normal(0, sd, rows - 1)
    for i, k in enumerate(k for k in range(1, rows) if (k - (first - 1)) % n == 0):
        gaps[k - 1] += guess[i % len(guess)]
    return gaps


def test_back_and_forth_mirrors_the_units():
    # by head: passes of 4 from row 3 on, first one along; rows 1, 2 are the right half of a pass driven back, which
    # looking the way it was driven lies left: units 2, 1
    labels = label_passes(strip(np.full(11, 76.0)), 4, PassSettings(first_row=3))
    assert labels.row_unit.tolist() == [2, 1, 1, 2, 3, 4, 4, 3, 2, 1, 1, 2]
    assert labels.row_pass.tolist() == [1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4]
    assert labels.along.tolist() == [False] * 2 + [True] * 4 + [False] * 4 + [True] * 2
    assert labels.unit_names[:3] == ("2", "1", "1")
    assert labels.proposals[0].given and labels.proposals[0].first_row == 3 and labels.notes == ()


def test_one_way_and_against():
    rows = strip(np.full(7, 76.0))
    one_way = label_passes(rows, 4, PassSettings(first_row=1, pattern="one_way"))
    assert one_way.row_unit.tolist() == [1, 2, 3, 4, 1, 2, 3, 4]
    against = label_passes(rows, 4, PassSettings(first_row=1, first_heading="against"))
    assert against.row_unit.tolist() == [4, 3, 2, 1, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("direction", "heading", "units"),
    [
        (90.0, "N", [1, 2, 3, 4]), (90.0, "S", [4, 3, 2, 1]), (0.0, "E", [1, 2, 3, 4]), (0.0, "W", [4, 3, 2, 1]),
        (45.0, "NE", [1, 2, 3, 4]), (-40.0, "NW", [4, 3, 2, 1]), (20.0, "S", [0, 0, 0, 0]),
    ],
)  # fmt: skip
def test_compass(direction, heading, units):
    rows = strip(np.full(3, 76.0), direction)
    labels = label_passes(rows, 4, PassSettings(first_row=1, first_heading=heading))
    assert labels.row_unit.tolist() == units
    assert any("does not tell which way" in note for note in labels.notes) == (units[0] == 0)


@pytest.mark.parametrize("width", [38.0, 50.0, 76.0])
@pytest.mark.parametrize(("n", "first"), [(4, 1), (6, 4), (8, 3), (12, 12)])
def test_guess_rows_give_the_phase(n, first, width):
    gaps = guessed(5 * n, n, first, (12, -9, 15), width, seed=n)
    labels = label_passes(strip(gaps, width=width), n)
    (proposal,) = labels.proposals
    assert (proposal.first_row - first) % n == 0 and proposal.confidence > 0.95 and not proposal.given
    same = label_passes(strip(gaps, width=width), n, PassSettings(first_row=proposal.first_row))
    np.testing.assert_array_equal(labels.row_unit, same.row_unit)
    assert any("First row of a pass proposed" in note and "mirrored" in note for note in labels.notes)


def test_no_guess_rows_no_units():
    labels = label_passes(strip(76 + np.random.default_rng(3).normal(0, 0.5, 39)), 8)
    assert not labels.row_unit.any() and not labels.row_pass.any()
    assert labels.proposals[0].confidence < 0.5
    assert any("give passes.first_row" in note for note in labels.notes)


def test_confidence_is_honest():
    """Guess rows of 2 to 4 cm beside a scatter of 1 cm: of proposals, as many are right as their confidence says."""
    right, said = [], []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        first = int(rng.integers(1, 7))
        gaps = guessed(20, 6, first, rng.normal(0, 4.0, 5), seed=seed, sd=1.0)
        (proposal,) = label_passes(strip(gaps), 6).proposals
        right.append((proposal.first_row - first) % 6 == 0)
        said.append(proposal.confidence)
    # 150 draws: standard error of the share 4 points
    assert abs(np.mean(right) - np.mean(said)) < 0.12
    sure = np.array(said) > 0.9
    assert sure.sum() > 20 and np.array(right)[sure].mean() > 0.85


def test_a_missing_row_is_counted_on():
    gaps = np.full(10, 76.0)
    gaps[5] = 152.0
    labels = label_passes(strip(gaps), 4, PassSettings(first_row=1))
    assert labels.row_unit.tolist() == [1, 2, 3, 4, 4, 3, 1, 1, 2, 3, 4]
    assert any("1 between rows 6 and 7 (152 cm)" in note for note in labels.notes)


def test_guess_row_in_narrow_rows_is_no_missing_row():
    # 38 + 20 = 58 cm is half way to two rows; where passes meet it is a guess row
    gaps = guessed(24, 6, 1, (20.0, -18.0), 38.0, seed=4)
    labels = label_passes(strip(gaps, width=38.0), 6, PassSettings(first_row=1))
    assert labels.row_unit[:12].tolist() == [1, 2, 3, 4, 5, 6, 6, 5, 4, 3, 2, 1]
    assert not any("missing" in note for note in labels.notes)


def test_wheel_track_is_told():
    gaps = guessed(24, 8, 1, (10.0, -10.0))
    gaps[11] = 110.0
    labels = label_passes(strip(gaps), 8, PassSettings(first_row=1))
    assert any("rows 12 and 13 (110 cm)" in note and "wheel tracks?" in note for note in labels.notes)
    assert labels.row_unit[8:16].tolist() == [8, 7, 6, 5, 4, 3, 2, 1]


def test_wrong_planter_width_is_told():
    gaps = guessed(48, 12, 1, (14.0, -11.0, 12.0))
    labels = label_passes(strip(gaps), 8)
    assert any("fit a planter of 12 rows far better than one of 8" in note for note in labels.notes)
    right = label_passes(strip(gaps), 12)
    assert not any("far better" in note for note in right.notes)


def test_without_planter_rows():
    labels = label_passes(strip(guessed(48, 12, 1, (14.0, -11.0, 12.0))), None)
    assert not labels.row_unit.any()
    assert any("not given" in note and "would fit 12" in note for note in labels.notes)
    plain = label_passes(strip(np.full(20, 76.0)), None)
    assert not any("would fit" in note for note in plain.notes)


def test_groups_and_parts():
    two = label_passes(strip(np.full(7, 76.0), groups=2), 4, PassSettings(first_row=9))
    assert not two.row_unit[:8].any() and two.row_unit[8:].tolist() == [1, 2, 3, 4, 4, 3, 2, 1]
    assert any("group 2 only" in note for note in two.notes)
    gaps = np.full(7, 76.0)
    gaps[3] = np.nan
    parts = label_passes(strip(gaps), 4, PassSettings(first_row=1))
    assert parts.row_unit.tolist() == [1, 2, 3, 4, 0, 0, 0, 0]
    assert any("2 parts" in note for note in parts.notes)


def test_few_rows():
    assert label_passes(StripRows(), 8).notes == ("No rows, so no passes.",)
    one = strip(np.zeros(0), width=float("nan"))
    assert label_passes(one, 8).row_unit.tolist() == [0]
    beyond = label_passes(strip(np.full(7, 76.0)), 4, PassSettings(first_row=20))
    assert not beyond.row_unit.any() and "First row 20" in beyond.notes[0]


def test_bad_settings():
    with pytest.raises(BadSettings, match=r"pattern is 'spiral'.*back_and_forth"):
        PassSettings(pattern="spiral")
    with pytest.raises(BadSettings, match="first_heading is 'up'"):
        PassSettings(first_heading="up")
