"""Intervals of spacing with rows as the units: by a second implementation, by coverage, and at their edges."""

import tracemalloc

import numpy as np
import pytest
from scipy import stats

from standcam.settings import StatisticsSettings
from standcam.spacing import intervals, metrics

QUICK = StatisticsSettings(resamples=300)


def rows_of(lists, nominal=20.0):
    """Gaps, classes and row of each gap of lists of gaps."""
    gap = np.concatenate([np.asarray(g, float) for g in lists])
    row = np.repeat(np.arange(len(lists)), [len(g) for g in lists])
    return gap, metrics.classify(gap / nominal), row


def made(rng, rows, gaps=15, scatter=0.15):
    """Rows that differ in how many skips they have and how they scatter."""
    out = []
    for _ in range(rows):
        skips = rng.random(gaps) < np.clip(rng.normal(0.1, 0.05), 0, 1)
        sd = 3 * np.exp(scatter * rng.standard_normal())
        out.append(np.abs(20.0 * (1 + skips) + rng.normal(0, sd, gaps)))
    return out


def ends(found, name, group=0):
    return float(found.low[name][group]), float(found.high[name][group])


def test_bootstrap_against_a_second_implementation():
    lists = made(np.random.default_rng(1), 12)
    gap, code, row = rows_of(lists)
    found = intervals.spacing_intervals(gap, code, row, np.zeros(12, int), 1, StatisticsSettings(resamples=4000))
    assert list(found.source) == ["rows"]

    rng = np.random.default_rng(2)
    values = []
    for _ in range(3000):  # row by row, gaps pooled, nothing of the sums that the program works with
        pooled = np.concatenate([lists[i] for i in rng.choice(12, 12)])
        values.append(100 * np.std(pooled, ddof=1) / np.mean(pooled))
    value = 100 * gap.std(ddof=1) / gap.mean()
    half = stats.t.ppf(0.975, 11) * np.std(values, ddof=1) * np.sqrt(12 / 11) / value
    low, high = ends(found, "cv_pct")
    # standard errors from 3000 and 4000 resamples differ by 1.7 % (one SD) by chance
    assert np.log(high / value) == pytest.approx(half, rel=0.06)
    assert np.log(value / low) == pytest.approx(half, rel=0.06)


@pytest.mark.parametrize("rows", [3, 4, 10])
def test_95_of_100_intervals_hold_the_truth(rows):
    """400 plots at once; the truth from many rows. Limits: 95 % less what small samples are known to lose."""
    rng = np.random.default_rng(3)
    gap, code, row = rows_of(made(rng, 400 * rows))
    found = intervals.spacing_intervals(gap, code, row, np.repeat(np.arange(400), rows), 400, QUICK)
    many, classes, _ = rows_of(made(np.random.default_rng(4), 6000))
    truth = {
        "mean_gap_cm": many.mean(),
        "sd_gap_cm": many.std(),
        "cv_pct": 100 * many.std() / many.mean(),
        "misses_pct": 100 * (classes >= 2).mean(),
    }
    for name, true in truth.items():
        covered = np.mean((found.low[name] <= true) & (true <= found.high[name]))
        assert 0.90 <= covered <= 0.99, name


def test_a_plot_has_its_interval_whatever_else_is_in_the_run():
    rng = np.random.default_rng(5)
    lists = made(rng, 12)
    gap, code, row = rows_of(lists)
    group = np.array([0, 0, 0, 0, 1, 1, 1, 2, 3, 3, 3, 3])
    all_in_one = intervals.spacing_intervals(gap, code, row, group, 4, QUICK)
    assert list(all_in_one.source) == ["rows", "rows", "gaps", "rows"]
    for g in range(4):
        alone = intervals.spacing_intervals(*rows_of([lists[i] for i in np.flatnonzero(group == g)]),
                                            np.zeros((group == g).sum(), int), 1, QUICK)  # fmt: skip
        for name in intervals.STATISTICS:
            assert ends(alone, name) == pytest.approx(ends(all_in_one, name, g), nan_ok=True)


def test_blocks_change_nothing(monkeypatch):
    gap, code, row = rows_of(made(np.random.default_rng(6), 60))
    group = np.concatenate([np.repeat(np.arange(10), 3), np.full(30, 10)])
    one = intervals.spacing_intervals(gap, code, row, group, 11, QUICK)
    monkeypatch.setattr(intervals, "LARGEST_BLOCK", 2000)  # one plot, and 66 resamples of 30 rows, at a time
    other = intervals.spacing_intervals(gap, code, row, group, 11, QUICK)
    for name in intervals.STATISTICS:
        assert other.low[name] == pytest.approx(one.low[name], rel=1e-9)
        assert other.high[name] == pytest.approx(one.high[name], rel=1e-9)


def test_memory_is_bounded_by_the_block(monkeypatch):
    rows = 40_000
    gap = np.random.default_rng(7).gamma(16, 1.25, 2 * rows)
    code, row = metrics.classify(gap / 20), np.repeat(np.arange(rows), 2)
    monkeypatch.setattr(intervals, "LARGEST_BLOCK", 400_000)
    for group in (np.zeros(rows, int), np.arange(rows) // 4):
        tracemalloc.start()
        intervals.spacing_intervals(gap, code, row, group, group[-1] + 1, StatisticsSettings(resamples=100))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        # all resamples of all rows at once would be 100 x 40,000 x 8 bytes, 32 MB, for each of several arrays
        assert peak < 40e6


def test_equal_input_gives_equal_intervals_and_the_seed_matters():
    gap, code, row = rows_of(made(np.random.default_rng(8), 5))
    one, again, other = (
        intervals.spacing_intervals(gap, code, row, np.zeros(5, int), 1, StatisticsSettings(resamples=300, seed=s))
        for s in (1, 1, 2)
    )
    assert ends(one, "cv_pct") == ends(again, "cv_pct") != ends(other, "cv_pct")


def test_a_higher_level_is_wider():
    gap, code, row = rows_of(made(np.random.default_rng(9), 6))
    for group in (np.zeros(6, int), np.arange(6)):
        wide, narrow = (
            intervals.spacing_intervals(gap, code, row, group, 6, StatisticsSettings(level=level, resamples=300))
            for level in (0.99, 0.8)
        )
        for name in intervals.STATISTICS:
            has = np.isfinite(narrow.low[name]) & (narrow.low[name] < narrow.high[name])
            assert has.any()
            assert (wide.low[name] <= narrow.low[name])[has].all()
            assert (wide.high[name] > narrow.high[name])[has].all()


def test_no_skip_seen_is_not_no_skip():
    """Ten rows of ten singles: Wilson's interval of 0 of 100, 0 to 3.70 % (Newcombe's formula by hand)."""
    gap, code, row = rows_of([[19.0, 20.0, 21.0, 20.5, 19.5] * 2] * 10)
    found = intervals.spacing_intervals(gap, code, row, np.zeros(10, int), 1, QUICK)
    z2 = 1.959964**2
    assert ends(found, "misses_pct") == pytest.approx((0, 100 * z2 / (100 + z2)))


def test_rows_that_agree_by_chance_do_not_make_a_share_certain():
    gap, code, row = rows_of([[20.0] * 9 + [40.0]] * 4)
    found = intervals.spacing_intervals(gap, code, row, np.zeros(4, int), 1, QUICK)
    low, high = intervals.wilson(4, 40)
    assert ends(found, "misses_pct") == pytest.approx((100 * low, 100 * high))


def test_the_only_row_by_closed_form():
    gaps = [18.0, 22.0, 20.0, 19.0, 21.0, 40.0, 20.0, 5.0]
    found = intervals.spacing_intervals(*rows_of([gaps]), np.zeros(1, int), 1, QUICK)
    assert list(found.source) == ["gaps"]
    mean, sd = np.mean(gaps), np.std(gaps, ddof=1)
    half = stats.t.ppf(0.975, 7) * sd / mean / np.sqrt(8)
    assert ends(found, "mean_gap_cm") == pytest.approx((mean * np.exp(-half), mean * np.exp(half)))
    # Bonett 2006: kurtosis about the mean trimmed by 1 / (2 sqrt(n - 4)) of n = 8 at either end, two gaps
    trimmed = np.mean(np.sort(gaps)[2:-2])
    kurtosis = 8 * np.sum((gaps - trimmed) ** 4) / np.sum((gaps - mean) ** 2) ** 2
    half = stats.t.ppf(0.975, 7) * np.sqrt((kurtosis - 5 / 8) / 7) / 2
    assert ends(found, "sd_gap_cm") == pytest.approx((sd * np.exp(-half), sd * np.exp(half)))
    assert ends(found, "misses_pct") == pytest.approx([100 * float(e) for e in intervals.wilson(1, 8)])


def test_two_rows_do_not_tell_how_rows_differ():
    lists = made(np.random.default_rng(10), 2)
    found = intervals.spacing_intervals(*rows_of(lists), np.zeros(2, int), 1, QUICK)
    pooled = intervals.spacing_intervals(*rows_of([np.concatenate(lists)]), np.zeros(1, int), 1, QUICK)
    assert list(found.source) == ["gaps"]
    assert ends(found, "cv_pct") == pytest.approx(ends(pooled, "cv_pct"))


def test_what_is_too_little_has_no_interval():
    empty = intervals.spacing_intervals(np.zeros(0), np.zeros(0, int), np.zeros(0, int), np.zeros(3, int), 2, QUICK)
    assert list(empty.source) == ["", ""] and np.isnan(empty.low["cv_pct"]).all()
    one = intervals.spacing_intervals(*rows_of([[20.0]]), np.zeros(1, int), 1, QUICK)
    assert list(one.source) == [""] and np.isnan(ends(one, "mean_gap_cm")).all()
    four = intervals.spacing_intervals(*rows_of([[20.0, 22, 18, 21]]), np.zeros(1, int), 1, QUICK)
    assert np.isfinite(ends(four, "mean_gap_cm")).all() and np.isnan(ends(four, "sd_gap_cm")).all()
    # no classes, no shares; lengths are there
    bare = intervals.spacing_intervals(*rows_of([[20.0, 22, 18, 21, 19]], np.nan), np.zeros(1, int), 1, QUICK)
    assert np.isnan(ends(bare, "misses_pct")).all() and np.isfinite(ends(bare, "cv_pct")).all()


def test_gaps_all_alike():
    found = intervals.spacing_intervals(*rows_of([[20.0] * 6] * 3), np.zeros(3, int), 1, QUICK)
    assert ends(found, "sd_gap_cm") == (0, 0) and ends(found, "mean_gap_cm") == (20, 20)
    nothing = intervals.spacing_intervals(*rows_of([[0.0] * 6] * 3), np.zeros(3, int), 1, QUICK)
    assert ends(nothing, "mean_gap_cm") == (0, 0) and np.isnan(ends(nothing, "cv_pct")).all()


def test_large_offsets_do_not_swallow_the_scatter():
    lists = [np.asarray(g) for g in made(np.random.default_rng(11), 5)]
    near = intervals.spacing_intervals(*rows_of(lists), np.zeros(5, int), 1, QUICK)
    far = intervals.spacing_intervals(*rows_of([g + 2.0**30 for g in lists]), np.zeros(5, int), 1, QUICK)
    assert ends(far, "sd_gap_cm") == pytest.approx(ends(near, "sd_gap_cm"), rel=1e-5)


def test_closed_forms_at_their_edges():
    assert np.isnan(intervals.t_interval(5.0, 1.0, 1)).all()
    assert np.isnan(intervals.wilson(0, 0)).all() and np.isnan(intervals.clopper_pearson(0, 0)).all()
    assert np.isnan(intervals.cv_interval(0.1, 1)).all() and np.isnan(intervals.cv_interval(np.nan, 9)).all()
    assert [float(e) for e in intervals.cv_interval(0.0, 9)] == [0, 0]
    # few draws and a large k: the upper end is unbounded, not the root of a negative number
    assert float(intervals.cv_interval(0.9, 4, beyond_limit=True)[1]) == np.inf
    with pytest.raises(ValueError, match="'bayes'"):
        intervals.cv_interval(0.1, 9, method="bayes")


@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_closed_forms_against_scipy(level):
    hits, n = np.array([0, 3, 11, 40]), 40
    for name, function in (("wilson", intervals.wilson), ("exact", intervals.clopper_pearson)):
        low, high = function(hits, n, level)
        for h, a, b in zip(hits.tolist(), low, high, strict=True):
            other = stats.binomtest(h, n).proportion_ci(level, name)
            assert (a, b) == pytest.approx((other.low, other.high), abs=1e-12)
    assert intervals.t_interval(7.0, 2.0, 9, level) == pytest.approx(stats.t.interval(level, 8, 7, 2 / 3))
    assert intervals.poisson_exact(6, level) == pytest.approx(
        (stats.gamma.ppf((1 - level) / 2, 6), stats.gamma.ppf((1 + level) / 2, 7))
    )
