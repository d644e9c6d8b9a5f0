"""Trials against printed analyses and against a second implementation; sources stand beside each check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standcam.stand import trial_tests as tests
from standcam.stand.trial_models import codes, fit_plots, fit_random, fit_shares

DATA = Path(__file__).parent / "data"


def soybean():
    """Snedecor & Cochran, Statistical Methods, randomized blocks: soybean seeds of 100 that failed to emerge."""
    data = pd.read_csv(DATA / "rcbd_soybean_failures.csv")
    levels = list(dict.fromkeys(data["treatment"]))
    return (
        data["seeds_failed_to_emerge_of_100"].to_numpy(float), codes(data["treatment"].to_numpy(), levels), levels,
        pd.factorize(data["rep"])[0],
    )  # fmt: skip


def rice():
    """Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, p. 26: rice yield by seeding rate."""
    data = pd.read_csv(DATA / "rcbd_rice_seed_rate.csv")
    levels = [str(v) for v in sorted(data["seed_rate_kg_ha"].unique())]
    return (
        data["yield_kg_ha"].to_numpy(float), codes(data["seed_rate_kg_ha"].astype("str").to_numpy(), levels), levels,
        pd.factorize(data["rep"])[0],
    )  # fmt: skip


def lsd(means, weights=(-1, 1)):
    """Least significant difference of two means and its standard error."""
    w = np.zeros(len(means.levels))
    w[:2] = weights
    _, se, df = means.contrast(w)
    return se * tests.critical(tests.ALONE, 0.95, 2, df), se


def test_soybean_emergence():
    means = fit_plots(*soybean())
    table = means.anova.set_index("source")
    assert list(table["df"]) == [4, 4, 16, 24]
    assert table["ss"].to_numpy() == pytest.approx([83.84, 49.84, 86.56, 220.24], abs=5e-3)
    assert table["ms"][:3].to_numpy() == pytest.approx([20.96, 12.46, 5.41], abs=5e-3)
    assert (means.f, means.p) == (pytest.approx(3.874, abs=5e-4), pytest.approx(0.02189, abs=5e-6))
    assert means.estimate == pytest.approx([10.8, 6.2, 8.2, 6.6, 5.8])
    assert means.estimate.mean() == pytest.approx(7.52)
    assert 100 * np.sqrt(means.components["residual"]) / 7.52 == pytest.approx(30.93, abs=5e-3)
    assert lsd(means)[0] == pytest.approx(3.1185, abs=5e-5)


def test_rice_seeding_rates():
    means = fit_plots(*rice())
    table = means.anova.set_index("source")
    assert list(table["df"]) == [5, 3, 15, 23]
    assert table["ss"][:3].to_numpy() == pytest.approx([1_198_331, 1_944_361, 1_658_376], abs=0.5)
    assert table["ms"][:3].to_numpy() == pytest.approx([239_666.2, 648_120.3, 110_558.4], abs=0.05)
    assert table["f"][:2].to_numpy() == pytest.approx([2.1678, 5.862], abs=5e-4)
    assert means.p == pytest.approx(0.1128, abs=5e-5)
    assert means.estimate == pytest.approx([5124.00, 5070.25, 5304.25, 4847.75, 4708.00, 4703.25])
    assert 100 * np.sqrt(means.components["residual"]) / means.estimate.mean() == pytest.approx(6.704, abs=5e-4)
    assert lsd(means) == (pytest.approx(501.14, abs=5e-3), pytest.approx(235.12, abs=5e-3))


def test_rice_with_random_blocks():
    """Balanced: REML's block variance is (MSb - MSe) / 6 = 89,593.6, and the tests are those of the ANOVA."""
    value, treatment, levels, block = rice()
    fixed = fit_plots(value, treatment, levels, block)
    mixed = fit_random(value, treatment, levels, block=block, blocks_random=True)
    # REML is found by a search; five figures is what it reaches
    assert mixed.components["block"] == pytest.approx(89_594, rel=1e-4)
    assert mixed.components["residual"] == pytest.approx(110_558, rel=1e-4)
    assert mixed.estimate == pytest.approx(fixed.estimate)
    assert (mixed.f, mixed.df, mixed.p) == (
        pytest.approx(fixed.f, rel=1e-4), pytest.approx(15, rel=1e-6), pytest.approx(fixed.p, rel=1e-4)
    )  # fmt: skip
    assert lsd(mixed) == pytest.approx(lsd(fixed), rel=1e-4)


def test_orobanche_germination():
    """Crowder 1978, Appl. Stat. 27:34-37: counts germinated on 21 plates, logit fit with interaction."""
    data = pd.read_csv(DATA / "germination_orobanche.csv")
    levels = ["O73 bean", "O73 cucumber", "O75 bean", "O75 cucumber"]
    treatment = codes((data["gen"] + " " + data["extract"]).to_numpy(object), levels)
    totals = [np.bincount(treatment, data[c]) for c in ("germ", "n")]
    assert totals[0].tolist() == [49, 75, 99, 201] and totals[1].tolist() == [123, 141, 272, 295]
    means = fit_shares(data["germ"].to_numpy(float), data["n"].to_numpy(float), treatment, levels, None)
    as_coefficients = np.array([[1, 0, 0, 0], [-1, 0, 1, 0], [-1, 1, 0, 0], [1, -1, -1, 1]])
    assert as_coefficients @ means.estimate == pytest.approx([-0.412245, -0.145927, 0.540078, 0.778104], abs=5e-7)
    # printed errors are those of pure coin tosses, before the scatter of plates is taken into account
    cov = means.cov / means.components["dispersion"]
    se = np.sqrt(np.diag(as_coefficients @ cov @ as_coefficients.T))
    assert se == pytest.approx([0.184178, 0.223166, 0.249813, 0.306433], abs=1e-6)
    assert means.components["dispersion"] == pytest.approx(31.651 / 17, abs=5e-5)
    assert means.df == 17


def test_textbook_sums_of_squares():
    """Balanced blocks by the sums of squares of the textbook, with numpy alone."""
    for value, treatment, levels, block in (soybean(), rice()):
        grid = np.empty((len(levels), block.max() + 1))
        grid[treatment, block] = value
        k, b = grid.shape
        total = ((grid - grid.mean()) ** 2).sum()
        between = b * ((grid.mean(axis=1) - grid.mean()) ** 2).sum()
        blocks = k * ((grid.mean(axis=0) - grid.mean()) ** 2).sum()
        means = fit_plots(value, treatment, levels, block)
        assert means.anova["ss"].to_numpy() == pytest.approx([between, blocks, total - between - blocks, total])


@pytest.fixture(scope="module")
def unequal():
    rng = np.random.default_rng(4)
    groups = [rng.normal(m, 1, n) for m, n in ((0, 5), (1.5, 4), (0.4, 6), (1.0, 3))]
    code = np.repeat(np.arange(4), [len(g) for g in groups])
    return groups, fit_plots(np.concatenate(groups), code, list("abcd"), None)


def test_one_way_against_scipy(unequal):
    from scipy import stats

    groups, means = unequal
    assert (means.f, means.p) == pytest.approx(tuple(stats.f_oneway(*groups)))
    found, method = tests.pairs(means, 0.95)
    other = stats.tukey_hsd(*groups)
    interval = other.confidence_interval(0.95)
    assert method == tests.TUKEY and len(found) == 6
    for p in found:
        assert p.difference == pytest.approx(other.statistic[p.second, p.first])
        assert p.p == pytest.approx(other.pvalue[p.second, p.first], abs=1e-9)
        assert (p.low, p.high) == pytest.approx((interval.low[p.second, p.first], interval.high[p.second, p.first]))


def test_dunnett_against_scipy(unequal):
    from scipy import stats

    groups, means = unequal
    found, method = tests.pairs(means, 0.95, control=0)
    other = stats.dunnett(*groups[1:], control=groups[0], rng=np.random.default_rng(1))
    interval = other.confidence_interval(0.95)
    assert method == tests.DUNNETT
    # scipy integrates by random points: three decimals
    assert [p.p for p in found] == pytest.approx(list(other.pvalue), abs=1e-3)
    assert [p.low for p in found] == pytest.approx(list(interval.low), abs=5e-3)
    assert [p.high for p in found] == pytest.approx(list(interval.high), abs=5e-3)


@pytest.mark.parametrize(("others", "df", "printed"), [(2, 5, 3.03), (3, 20, 2.54), (5, 15, 2.82)])
def test_dunnett_bounds(others, df, printed):
    """Two-sided 5 % points of Dunnett 1964, Biometrics 20:482-491 (from memory)."""
    assert tests.critical(tests.DUNNETT, 0.95, others + 1, df) == pytest.approx(printed, abs=5e-3)


@pytest.mark.parametrize(("k", "df", "printed"), [(3, 10, 3.88), (4, 12, 4.20), (5, 20, 4.23)])
def test_tukey_bounds(k, df, printed):
    """Upper 5 % points of the studentized range, as in most textbooks (from memory)."""
    assert tests.critical(tests.TUKEY, 0.95, k, df) * np.sqrt(2) == pytest.approx(printed, abs=5e-3)


@pytest.mark.parametrize(("k", "df"), [(3, 2), (4, 9), (6, 40), (9, 300)])
def test_bounds_used_for_planning_are_scipys(k, df):
    assert tests._planned(tests.TUKEY, 0.95, k, df) == pytest.approx(tests.critical(tests.TUKEY, 0.95, k, df), rel=1e-6)


@pytest.mark.parametrize(("df", "away", "bound"), [(3, 2.0, 3.2), (8, 3.5, 2.3), (60, 0.5, 2.0)])
def test_power_is_the_noncentral_t(df, away, bound):
    from scipy import stats

    exact = stats.nct.sf(bound, df, away) + stats.nct.cdf(-bound, df, away)
    assert tests.power(away, 1.0, df, bound) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(("effect", "printed"), [(0.5, 64), (0.8, 26), (1.0, 17)])
def test_plots_needed(effect, printed):
    """Cohen 1988, table 2.4.1: n for power 0.80, two-sided 0.05 (from memory); a second time by statsmodels."""
    from statsmodels.stats.power import TTestIndPower

    n = tests.plots_needed(effect, 1.0, 2, blocked=False, method=tests.ALONE, level=0.95)
    assert n == printed == int(np.ceil(TTestIndPower().solve_power(effect, alpha=0.05, power=0.8)))


def test_line_and_lack_of_fit_against_statsmodels(unequal):
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    groups, means = unequal
    dose = np.array([4.0, 6.0, 8.0, 11.0])
    frame = pd.DataFrame({"y": np.concatenate(groups), "x": np.repeat(dose, [len(g) for g in groups])})
    line, full = smf.ols("y ~ x", frame).fit(), smf.ols("y ~ C(x)", frame).fit()
    found = tests.dose_response(means, dose, 0.95)
    assert found.slope == pytest.approx(line.params["x"])
    assert found.misfit_p == pytest.approx(anova_lm(line, full)["Pr(>F)"][1])
    # the error is the one between plots of a dose, not the one about the line
    assert found.se == pytest.approx(line.bse["x"] * np.sqrt(full.mse_resid / line.mse_resid))
    assert found.df == full.df_resid


def test_rice_line():
    """Linear contrast of equally spaced doses by orthogonal polynomials (-5 -3 -1 1 3 5; Fisher & Yates tables)."""
    means = fit_plots(*rice())
    found = tests.dose_response(means, np.arange(25.0, 151.0, 25.0), 0.95)
    w = np.array([-5, -3, -1, 1, 3, 5])
    ss = 4 * (w @ means.estimate) ** 2 / (w @ w)
    assert (found.slope / found.se) ** 2 == pytest.approx(ss / means.components["residual"])
    assert found.slope == pytest.approx((w @ means.estimate) / (w @ w) * 2 / 25)
    assert found.curve is None


def nested(seed=1, unequal=True):
    rng = np.random.default_rng(seed)
    treatment, block = np.tile([0, 1, 2], 5), np.repeat(np.arange(5), 3)
    rows = rng.integers(1, 5, 15) if unequal else np.full(15, 3)
    plot = np.repeat(np.arange(15), rows)
    plot_value = rng.normal(0, 1, 5)[block] + rng.normal(0, 0.8, 15) + 0.7 * treatment
    return plot_value[plot] + rng.normal(0, 0.7, len(plot)), treatment, block, plot


def test_equal_rows_give_the_analysis_of_plot_means():
    """Kenward & Roger 1997: in balanced data their F, with its degrees of freedom, is the exact one of the ANOVA."""
    value, treatment, block, plot = nested(unequal=False)
    means = np.bincount(plot, value) / np.bincount(plot)
    plain = fit_plots(means, treatment, list("abc"), block)
    for random in (False, True):
        mixed = fit_random(value, treatment[plot], list("abc"), block=block[plot], blocks_random=random, plot=plot)
        assert (mixed.f, mixed.p) == (pytest.approx(plain.f, rel=1e-3), pytest.approx(plain.p, rel=1e-3))
        assert mixed.df == pytest.approx(8, rel=1e-4) == plain.df
        assert mixed.contrast(np.array([-1, 1, 0]))[1] == pytest.approx(
            plain.contrast(np.array([-1, 1, 0]))[1], rel=1e-3
        )


def test_unequal_rows_against_statsmodels():
    """Variances and means by the REML of statsmodels, which searches in another way."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    value, treatment, block, plot = nested()
    mixed = fit_random(value, treatment[plot], list("abc"), block=block[plot], blocks_random=True, plot=plot)
    frame = pd.DataFrame({"y": value, "t": treatment[plot], "block": block[plot], "plot": plot})
    other = MixedLM.from_formula(
        "y ~ 0 + C(t)", frame, groups="block", re_formula="1", vc_formula={"plot": "0 + C(plot)"}
    ).fit(reml=True)
    theirs = [other.scale, other.cov_re.iloc[0, 0], other.vcomp[0]]
    assert [mixed.components[c] for c in ("residual", "block", "plot")] == pytest.approx(theirs, rel=2e-3)
    assert mixed.estimate == pytest.approx(other.fe_params.to_numpy(), abs=1e-4)
    # their errors take the variances as known; the adjusted ones are a little larger
    plain = np.sqrt(np.diag(other.cov_params().iloc[:3, :3]))
    assert np.sqrt(np.diag(mixed.random.phi)) == pytest.approx(plain, rel=2e-3)
    assert (np.sqrt(np.diag(mixed.cov)) >= plain * 0.999).all()
    assert 6 < mixed.df < 9  # about the eight of plots in blocks


def test_a_block_that_lost_a_plot():
    """One plot missing from complete blocks: intra-block and mixed analysis agree to within the blocks' information."""
    value, treatment, levels, block = rice()
    keep = np.arange(len(value)) != 7
    fixed = fit_plots(value[keep], treatment[keep], levels, block[keep])
    mixed = fit_random(value[keep], treatment[keep], levels, block=block[keep], blocks_random=True)
    assert mixed.df == pytest.approx(14, abs=0.5) and fixed.df == 14
    assert mixed.estimate == pytest.approx(fixed.estimate, rel=0.01)
    assert mixed.f == pytest.approx(fixed.f, rel=0.1)
