import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam import tables
from standcam.spacing import metrics


def positions_of(rows):
    """POSITIONS of {row: [cm, ...]} in one photo."""
    lines = [
        {"photo": "a.jpg", "plot": "a", "row": row, "plant": i + 1, "position_cm": cm, "source": "photo"}
        for row, values in rows.items()
        for i, cm in enumerate(values)
    ]
    return tables.conform(tables.POSITIONS, pd.DataFrame(lines, columns=tables.POSITIONS.names))


def stretches_of(rows):
    """STRETCHES of {row: (from_cm, to_cm)}."""
    lines = [
        {"photo": "a.jpg", "plot": "a", "row": row, "from_cm": a, "to_cm": b, "plants": 0, "status": "ok"}
        for row, (a, b) in rows.items()
    ]
    return tables.conform(tables.STRETCHES, pd.DataFrame(lines))


@pytest.mark.parametrize(
    ("multiple", "kind"),
    [
        (0.0, "double"),
        (0.5, "double"),
        (0.5 + 1e-6, "single"),
        (1.5, "single"),
        (1.5 + 1e-6, "skip_1"),
        (2.5, "skip_1"),
        (2.5 + 1e-6, "skip_2"),
        (3.5, "skip_2"),
        (3.5 + 1e-6, "skip_3_or_more"),
        (40.0, "skip_3_or_more"),
    ],
)
def test_upper_ends_belong_to_the_class(multiple, kind):
    assert metrics.KINDS[metrics.classify(np.array([multiple]))[0]] == kind


def test_edges_survive_floating_numbers():
    # 0.5 and 1.5 of the spacing, by running sums in inches turned into cm; the raw sums miss the edges
    for nominal_in in (6.5, 7.1, 8.3, 5.9):
        place = np.cumsum(np.tile([0.5, 1.5], 200) * nominal_in) * 2.54 + 313.7
        gaps = np.diff(place)
        assert len(set(gaps)) > 2  # the noise is there
        counts = metrics.class_counts(gaps, nominal_in * 2.54)
        assert list(counts) == [199, 200, 0, 0, 0]


def test_unknown_spacing_gives_no_class():
    assert list(metrics.classify(np.array([np.nan, 1.0]))) == [-1, 1]
    gaps = metrics.find_gaps(positions_of({1: [10, 30]}), stretches_of({1: (0, 50)}))
    assert list(gaps["kind"]) == ["open", "", "open"]
    assert gaps["multiple"].isna().all()


def test_gaps_with_open_ends():
    gaps = metrics.find_gaps(positions_of({1: [30, 10, 38]}), stretches_of({1: (0, 50)}), 20.0)
    tables.check(tables.GAPS, gaps)
    assert list(gaps["kind"]) == ["open", "single", "double", "open"]
    assert list(gaps["gap_cm"]) == [10, 20, 8, 12]
    assert list(gaps["from_cm"]) == [0, 10, 30, 38]
    # plant numbers stay with their plants; the outer side of an open end has none
    assert list(gaps["from_plant"].astype("object").fillna(0)) == [0, 2, 1, 3]
    assert list(gaps["to_plant"].astype("object").fillna(0)) == [2, 1, 3, 0]
    assert gaps.loc[gaps["kind"] == "open", "multiple"].isna().all()
    assert list(gaps["multiple"].dropna()) == pytest.approx([1.0, 0.4])


def test_gaps_never_run_across_rows():
    gaps = metrics.find_gaps(positions_of({1: [10, 30], 2: [15, 32]}), stretches_of({1: (0, 40), 2: (0, 40)}), 20)
    closed = gaps[gaps["kind"] != "open"]
    assert list(closed["row"]) == [1, 2] and list(closed["gap_cm"]) == [20, 17]


def test_stretch_without_plants_is_one_open_gap():
    gaps = metrics.find_gaps(tables.empty(tables.POSITIONS), stretches_of({1: (5, 45)}), 20)
    assert gaps[["from_cm", "gap_cm"]].to_numpy().tolist() == [[5, 40]]
    assert gaps[["from_plant", "to_plant"]].isna().all(axis=None)


def test_unknown_ends_give_no_open_gap():
    gaps = metrics.find_gaps(positions_of({1: [10, 30]}), stretches_of({1: (np.nan, np.nan)}), 20)
    assert list(gaps["kind"]) == ["single"]


def test_empty_in_empty_out():
    gaps = metrics.find_gaps(tables.empty(tables.POSITIONS), tables.empty(tables.STRETCHES), 20)
    tables.check(tables.GAPS, gaps)
    assert len(gaps) == 0


def test_plants_without_a_stretch_are_refused():
    with pytest.raises(tables.BadTable, match=r"photo a.jpg, plot a, row 2\) lies in no measured stretch"):
        metrics.find_gaps(positions_of({1: [10], 2: [10]}), stretches_of({1: (0, 50)}))
    with pytest.raises(tables.BadTable, match="no measured stretch"):
        metrics.find_gaps(positions_of({1: [10]}), tables.empty(tables.STRETCHES))


def test_a_stretch_given_twice_is_refused():
    twice = pd.concat([stretches_of({1: (0, 50)})] * 2, ignore_index=True)
    with pytest.raises(tables.BadTable, match="occurs twice"):
        metrics.find_gaps(tables.empty(tables.POSITIONS), twice)


def test_shares_of_nothing_are_missing():
    assert np.isnan(metrics.spacing_shares(np.zeros(5)).misses_pct)
    assert np.isnan(metrics.interval_shares(np.zeros(5)).misses_pct)


def test_form_b_out_of_range_is_missing():
    # three doubles of four spacings: 4 - 2 x 3 single intervals
    counts = np.array([3, 1, 0, 0, 0])
    assert metrics.interval_counts(counts)[1] == -2
    assert np.isnan(metrics.interval_shares(counts).quality_of_feed_pct)
    assert metrics.spacing_shares(counts).multiples_pct == 75


def test_sd_needs_two():
    mean, sd = metrics.mean_sd(np.array([4.0, 1, 3]), np.array([0, 1, 1]), 3)
    assert mean[:2] == pytest.approx([4, 2]) and np.isnan(mean[2])
    assert sd[1] == pytest.approx(np.sqrt(2)) and np.isnan(sd[[0, 2]]).all()


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from("pq"), st.integers(1, 3)), max_size=40))
def test_positions_of_few_plants_find_their_stretches_as_those_of_many_do(keys):
    stretches = pd.DataFrame(sorted({*keys, ("a", "p", 1)}, reverse=True), columns=["photo", "plot", "row"])
    positions = pd.DataFrame(keys, columns=["photo", "plot", "row"])
    places = metrics.stretch_index(positions, stretches)
    assert stretches.take(places).reset_index(drop=True).equals(positions) or positions.empty
    many = pd.concat([positions] * (metrics._FEW + 1), ignore_index=True)
    assert metrics.stretch_index(many, stretches).tolist() == places.tolist() * (metrics._FEW + 1)
