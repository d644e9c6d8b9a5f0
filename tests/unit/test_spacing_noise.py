"""Error of positions taken out of the spread of gaps."""

import numpy as np
import pandas as pd
import pytest

from standcam import flags
from standcam.settings import SpacingSettings
from standcam.spacing import noise
from standcam.summarise import summarise


def ends_of(variances):
    """Variances at both ends of each gap, and row of each gap, of rows of stems."""
    left = np.concatenate([np.asarray(v, float)[:-1] for v in variances])
    right = np.concatenate([np.asarray(v, float)[1:] for v in variances])
    return left, right, np.repeat(np.arange(len(variances)), [max(len(v) - 1, 0) for v in variances])


def test_one_row_by_head():
    # three gaps, stems of variance 1: each gap gains 2, their mean (1 + 1) / 9; (6 - 3 x 2/9) / 2
    added = noise.error_variance(*ends_of([[1, 1, 1, 1]]), np.zeros(1, int), 1)
    assert added == pytest.approx([8 / 3])
    # and the closed form of equal errors, 2 v (N + 1) / N
    assert added == pytest.approx([2 * (3 + 1) / 3])


@pytest.mark.parametrize("rows", [[4], [2, 5], [3, 2, 9]])
def test_against_the_covariance_of_all_gaps(rows):
    """E of a quadratic form: the trace of (centring x covariance) / (N - 1), with matrices written out."""
    rng = np.random.default_rng(1)
    variances = [rng.uniform(0.1, 3, n) for n in rows]
    blocks = []
    for v in variances:
        step = np.diff(np.eye(len(v)), axis=0)
        blocks.append(step @ np.diag(v) @ step.T)
    n = sum(len(b) for b in blocks)
    covariance = np.zeros((n, n))
    at = 0
    for b in blocks:
        covariance[at : at + len(b), at : at + len(b)] = b
        at += len(b)
    expected = np.trace((np.eye(n) - 1 / n) @ covariance) / (n - 1)
    added = noise.error_variance(*ends_of(variances), np.zeros(len(rows), int), 1)
    assert added == pytest.approx([expected], rel=1e-12)


def test_groups_are_told_apart():
    variances = [[1.0, 2, 3], [4.0, 5], [0.5, 0.5, 0.5, 0.5]]
    together = noise.error_variance(*ends_of(variances), np.array([1, 0, 1]), 3)
    assert together[1] == pytest.approx(
        noise.error_variance(*ends_of([variances[0], variances[2]]), np.zeros(2, int), 1)[0]
    )
    assert np.isnan(together[0]) and np.isnan(together[2])  # one gap; none


def test_an_unknown_error_makes_the_sum_unknown():
    added = noise.error_variance(*ends_of([[1.0, np.nan, 1, 1], [1.0, 1, 1]]), np.array([0, 1]), 2)
    assert np.isnan(added[0]) and added[1] == pytest.approx(3)
    none = np.zeros(0)
    assert np.isnan(noise.error_variance(none, none, none.astype(int), np.zeros(2, int), 2)).all()


def test_corrected_sd_and_its_refusals():
    sd = np.array([5.0, 5, 2, 2, np.nan, 0, 3])
    error = np.array([9.0, np.nan, 4, 4.1, 1, 0, 0])
    corrected, drowned = noise.corrected_sd(sd, error)
    assert corrected == pytest.approx([4, np.nan, np.nan, np.nan, np.nan, 0, 3], nan_ok=True)
    assert list(drowned) == [False, False, True, True, False, False, False]


def noisy(rng, rows, plants, scatter, sd_of_stem):
    """Rows with known true gaps, read with errors; positions and stretches."""
    true = np.cumsum(20 + scatter * rng.standard_normal((rows, plants)), axis=1)
    sd = np.broadcast_to(sd_of_stem, (rows, plants))
    read = true + sd * rng.standard_normal((rows, plants))
    row = np.repeat(np.arange(1, rows + 1), plants)
    key = pd.DataFrame({"photo": "a", "plot": np.char.add("p", ((row - 1) // 4).astype(str)), "row": row})
    positions = key.assign(plant=np.tile(np.arange(plants), rows), position_cm=read.ravel(), position_sd_cm=sd.ravel())
    stretches = key.drop_duplicates(ignore_index=True).assign(from_cm=-1e3, to_cm=1e5, plants=plants, status="ok")
    return positions, stretches, true


def test_the_corrected_variance_is_unbiased():
    """3000 rows of 8 and their 750 plots of 4, stems of unlike error; within four standard errors of the truth."""
    rng = np.random.default_rng(2)
    positions, stretches, true = noisy(rng, 3000, 8, 3.0, rng.uniform(0.3, 1.5, (3000, 8)))
    result = summarise(positions, stretches, SpacingSettings(nominal_spacing_cm=20))
    for frame in (result.rows, result.plots):
        assert frame["sd_gap_corrected_cm"].notna().mean() > 0.97
        seen = frame["sd_gap_cm"].to_numpy() ** 2
        # where the error drowns the scatter the difference is below zero, and belongs to the mean all the same
        left, right, row = ends_of(positions["position_sd_cm"].to_numpy().reshape(3000, 8) ** 2)
        group = np.arange(3000) if len(frame) == 3000 else np.arange(3000) // 4
        corrected = seen - noise.error_variance(left, right, row, group, len(frame))
        column = frame["sd_gap_corrected_cm"].to_numpy()
        assert np.sqrt(np.where(corrected > 0, corrected, np.nan)) == pytest.approx(column, nan_ok=True)
        se = corrected.std() / np.sqrt(len(corrected))
        truth = np.diff(true, axis=1).reshape(len(frame), -1).var(axis=1, ddof=1).mean()
        assert corrected.mean() == pytest.approx(truth, abs=4 * se)
        # uncorrected it is not: errors of 0.3 to 1.5 cm add 2 x 0.93
        assert seen.mean() > truth + 1.5


def test_the_mean_gap_hardly_moves():
    """Errors of 1.5 cm move the mean of 30 gaps by 0.07 cm (sqrt(2) x 1.5 / 30), not by 0.39 (1.5 sqrt(2 / 30))."""
    positions, stretches, true = noisy(np.random.default_rng(3), 400, 31, 3.0, 1.5)
    mean = summarise(positions, stretches, SpacingSettings(nominal_spacing_cm=20)).rows["mean_gap_cm"]
    moved = (mean - np.diff(true, axis=1).mean(axis=1)).std()
    assert moved == pytest.approx(np.sqrt(2) * 1.5 / 30, rel=0.15)


def table_of(place, sd):
    key = {"photo": "a", "plot": "a", "row": 1}
    positions = pd.DataFrame({"plant": range(len(place)), "position_cm": place, "position_sd_cm": sd}).assign(**key)
    stretches = pd.DataFrame([key | {"from_cm": 0.0, "to_cm": 200.0, "plants": len(place), "status": "ok"}])
    return summarise(positions, stretches, SpacingSettings(nominal_spacing_cm=20))


def test_columns_of_a_row_and_its_plot():
    place = np.array([5.0, 24, 46, 65, 90])
    result = table_of(place, 0.5)
    gaps = np.diff(place)
    left = gaps.var(ddof=1) - 2 * 0.25 * 5 / 4
    for line in (result.rows.iloc[0], result.plots.iloc[0]):
        assert line["sd_gap_cm"] == pytest.approx(gaps.std(ddof=1))
        assert line["sd_gap_corrected_cm"] == pytest.approx(np.sqrt(left))
        assert line["cv_corrected_pct"] == pytest.approx(100 * np.sqrt(left) / gaps.mean())
        assert not flags.parse(line["flags"]) & flags.bit("error_drowns_sd")


def test_a_tape_is_not_corrected():
    result = table_of([5.0, 24, 46, 65, 90], np.nan)
    for line in (result.rows.iloc[0], result.plots.iloc[0]):
        assert np.isnan(line["sd_gap_corrected_cm"]) and np.isnan(line["cv_corrected_pct"])
        assert not flags.parse(line["flags"]) & flags.bit("error_drowns_sd")


def test_scatter_within_the_error_is_said():
    result = table_of([5.0, 25, 45, 65.5, 85], 1.0)
    for line in (result.rows.iloc[0], result.plots.iloc[0]):
        assert np.isnan(line["sd_gap_corrected_cm"]) and line["sd_gap_cm"] > 0
        assert flags.parse(line["flags"]) & flags.bit("error_drowns_sd")


def test_a_plot_of_photo_and_tape_is_not_corrected():
    rows = [table_of([5.0, 24, 46, 65, 90], sd) for sd in (0.5, np.nan)]
    assert rows[0].rows["sd_gap_corrected_cm"].notna().all()
    key = {"photo": "a", "plot": "a"}
    positions = pd.concat(
        [
            pd.DataFrame({"plant": range(5), "position_cm": [5.0, 24, 46, 65, 90], "position_sd_cm": sd, "row": r})
            for r, sd in ((1, 0.5), (2, np.nan))
        ]
    ).assign(**key)
    stretches = pd.DataFrame(
        [key | {"row": r, "from_cm": 0.0, "to_cm": 100.0, "plants": 5, "status": "ok"} for r in (1, 2)]
    )
    result = summarise(positions, stretches, SpacingSettings(nominal_spacing_cm=20))
    assert list(result.rows["sd_gap_corrected_cm"].notna()) == [True, False]
    assert np.isnan(result.plots["sd_gap_corrected_cm"].iloc[0])
