"""The fit of a planter: small cases, edges, and what is said about them."""

import math

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.errors import BadSettings
from standcam.estimate import Estimate
from standcam.planter.maximum import mid_p
from standcam.planter.mixture import PlanterFit, fit_planter, gap_classes, gap_density, gap_errors
from standcam.planter.simulate import KnownPlanter, simulate_rows
from standcam.settings import StatisticsSettings
from standcam.spacing.metrics import find_gaps


def rows_at(*rows, length=960.0, sd=math.nan):
    positions = pd.concat(
        pd.DataFrame(
            {
                "photo": "tape.csv",
                "plot": "a",
                "row": r + 1,
                "plant": np.arange(len(at)) + 1,
                "position_cm": np.sort(np.asarray(at, float)),
                "position_sd_cm": sd,
                "source": "tape",
            }
        )
        for r, at in enumerate(rows)
    )
    stretches = pd.DataFrame(
        {
            "photo": "tape.csv",
            "plot": "a",
            "row": np.arange(len(rows)) + 1,
            "from_cm": 0.0,
            "to_cm": length,
            "plants": [len(at) for at in rows],
            "status": "ok",
        }
    )
    return tables.conform(tables.POSITIONS, positions), tables.conform(tables.STRETCHES, stretches)


def gaps_of(*rows, length=960.0):
    return find_gaps(*rows_at(*rows, length=length))


PLACES = np.arange(8.0, 960.0, 16.0)


@pytest.fixture(scope="module")
def scattered():
    return np.random.default_rng(5).normal(0, 2.0, len(PLACES))


def said(fit, words):
    return any(words in note for note in fit.notes)


@pytest.mark.parametrize("nominal", [16.0, None])
def test_row_without_skips_or_doubles_ends_at_the_rule_of_three(scattered, nominal):
    fit = fit_planter(gaps_of(PLACES + scattered), nominal)
    assert fit.converged
    for share in (fit.skip_share, fit.double_share):
        assert share.value == 0 and share.low == 0
        assert share.high == pytest.approx(3 / 60, abs=0.004)
    assert said(fit, "No place without a plant is seen")
    assert fit.placement_sd_cm.low < 2.0 < fit.placement_sd_cm.high
    assert fit.fitted_spacing_cm.value == pytest.approx(16, abs=0.15)


def test_shares_of_a_plain_row_are_those_of_counting(scattered):
    at = np.delete(PLACES, [10, 20, 21, 40]) + np.delete(scattered / 2, [10, 20, 21, 40])
    at = np.r_[at, at[5] + 2.5, at[30] - 3.0, at[45] + 1.5]
    fit = fit_planter(gaps_of(at), 16.0)
    assert fit.skip_share.value == pytest.approx(4 / 60, abs=0.003)
    assert fit.double_share.value == pytest.approx(3 / 56, abs=0.003)
    low, high = mid_p(4 / 60, 60, 0.95)
    assert fit.skip_share.low == pytest.approx(low, abs=0.006)
    assert fit.skip_share.high == pytest.approx(high, abs=0.006)


def test_a_displaced_plant_is_no_skip(scattered):
    at = PLACES + 0.75 * scattered
    at[29:32] = PLACES[29:32] + np.array([-1.0, 5.5, -1.0])  # gaps of 22.5 and 9.5 cm
    fit = fit_planter(gaps_of(at), 16.0)
    assert fit.skip_share.value < 0.005
    assert fit.double_share.value < 0.02


def test_all_places_double(scattered):
    rng = np.random.default_rng(1)
    at = PLACES + scattered / 2
    for nominal in (16.0, None):
        fit = fit_planter(gaps_of(np.r_[at, at + rng.uniform(1, 5, len(at))]), nominal)
        assert fit.double_share.value > 0.95
        assert fit.skip_share.value < 0.01
        assert fit.fitted_spacing_cm.value == pytest.approx(16, abs=0.5)


def test_every_second_place_empty_is_a_harmonic(scattered):
    gaps = gaps_of((PLACES + scattered)[::2])
    given = fit_planter(gaps, 16.0)
    assert given.skip_share.value == pytest.approx(0.5, abs=0.01)
    assert said(given, "by themselves suggest")
    found = fit_planter(gaps)
    assert found.spacing_cm.value == pytest.approx(32, abs=0.5)
    assert found.skip_share.value < 0.01


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_spacing_given_at_a_harmonic_is_questioned(scattered, factor):
    fit = fit_planter(gaps_of(PLACES + scattered), 16.0 * factor)
    assert said(fit, "by themselves suggest seed places 1") and said(fit, f"not {16 * factor:.1f} cm")


def test_spacing_some_percent_off_is_found_and_named(scattered):
    fit = fit_planter(gaps_of(PLACES + scattered), 16.8)
    assert fit.spacing_cm.value == 16.8 and math.isnan(fit.spacing_cm.low)
    assert fit.fitted_spacing_cm.value == pytest.approx(16, abs=0.15)
    assert said(fit, "% less than the 16.8 cm given")
    assert fit.placement_sd_cm.low < 2.0 < fit.placement_sd_cm.high


@pytest.mark.parametrize("rows", [[[100.0, 118.0]], [[]], [[30.0]], [[10.0, 26.0, 43.0, 58.0, 73.0]]])
@pytest.mark.parametrize("nominal", [16.0, None, math.nan])
def test_too_few_gaps_are_nan_with_a_note(rows, nominal):
    fit = fit_planter(gaps_of(*rows), nominal)
    assert not fit.known and not fit.converged
    assert math.isnan(fit.skip_share.high) and math.isnan(fit.placement_sd_cm.value)
    assert said(fit, "Too few gaps")
    assert np.isnan(gap_classes(fit, [16.0, 30.0])).all()
    assert np.isnan(gap_density(fit, [16.0])).all()


def test_no_rows_at_all():
    fit = fit_planter(tables.empty(tables.GAPS), 16.0)
    assert fit.rows == 0 and fit.gaps == 0 and fit.seed_places == 0 and not fit.known


def test_few_gaps_have_wide_ranges_and_a_warning():
    fit = fit_planter(gaps_of([10, 25, 42, 58, 73, 90], length=100.0), 16.0)
    assert said(fit, "Only 5 gaps")
    assert fit.skip_share.high > 0.3 and fit.double_share.high > 0.3


def test_long_open_end_holds_missing_plants():
    short = fit_planter(gaps_of([10, 25, 42, 58, 73, 90], length=100.0), 16.0)
    long = fit_planter(gaps_of([10, 25, 42, 58, 73, 90], length=200.0), 16.0)
    assert short.skip_share.value < 0.01
    # 110 cm behind the last plant: six places that a plant would have stood on
    assert long.skip_share.value == pytest.approx(6 / 12, abs=0.05)


def test_empty_rows_count_with_the_others(scattered):
    alone = fit_planter(gaps_of(PLACES + scattered), 16.0)
    beside = fit_planter(gaps_of(PLACES + scattered, []), 16.0)
    assert alone.skip_share.value == 0
    assert beside.skip_share.value == pytest.approx(0.5, abs=0.01)
    assert beside.rows == 2


def test_most_plants_on_one_spot():
    fit = fit_planter(gaps_of([100.0] * 9), 16.0)
    assert not fit.known and said(fit, "share one place")


def test_rows_without_rhythm_are_called_so():
    at = np.random.default_rng(3).uniform(0, 960, 60)
    assert said(fit_planter(gaps_of(at), 16.0), "no clear rhythm")
    assert said(fit_planter(gaps_of(at)), "no clear rhythm")


def test_wide_scatter_is_called_so():
    rng = np.random.default_rng(3)
    fit = fit_planter(gaps_of(*(PLACES + rng.normal(0, 5.3, 60) for _ in range(3))), 16.0)
    assert said(fit, "off their places")
    assert not said(fit, "no clear rhythm")


def test_a_hole_is_named(scattered):
    at = PLACES + scattered
    at[30:] += 20 * 16
    fit = fit_planter(gaps_of(at, length=1280.0), 16.0)
    assert said(fit, "counts as about 20 missing plants")
    assert fit.skip_share.value == pytest.approx(20 / 80, abs=0.01)


def test_perfect_rows_do_not_break():
    fit = fit_planter(gaps_of(PLACES), 16.0)
    assert fit.converged and fit.placement_sd_cm.low == 0
    assert fit.placement_sd_cm.high < 0.35
    assert said(fit, "too small to be told")


def test_measurement_error_is_taken_out():
    planter = KnownPlanter(16, 0.05, 0.03, 1.6, 1.0)
    sim = simulate_rows(planter, 8, 1000, np.random.default_rng(2), position_sd_cm=1.2)
    gaps = find_gaps(sim.positions, sim.stretches)
    error = gap_errors(gaps, sim.positions)
    closed = gaps["kind"].to_numpy(object) != "open"
    assert error[closed] == pytest.approx(1.2 * math.sqrt(2))
    assert np.isnan(error[~closed]).all()
    seen = fit_planter(gaps, 16.0)
    freed = fit_planter(gaps, 16.0, gap_error_sd_cm=error)
    assert seen.placement_sd_cm.value == pytest.approx(2.0, rel=0.1)  # sqrt(1.6² + 1.2²)
    assert freed.placement_sd_cm.value == pytest.approx(1.6, rel=0.1)
    assert freed.placement_sd_cm.low < 1.6 < freed.placement_sd_cm.high
    assert freed.single_sd_cm == pytest.approx(seen.single_sd_cm, rel=0.05)
    assert fit_planter(gaps, 16.0, gap_error_sd_cm=1.2 * math.sqrt(2)).placement_sd_cm.value == pytest.approx(
        freed.placement_sd_cm.value, rel=0.01
    )


def test_measurement_error_that_drowns_the_placement(scattered):
    fit = fit_planter(gaps_of(PLACES + scattered), 16.0, gap_error_sd_cm=3 * math.sqrt(2))
    assert fit.placement_sd_cm.low == 0 and fit.placement_sd_cm.high < 2.5
    assert said(fit, "too small to be told")


def test_some_measurement_errors_missing(scattered):
    positions, stretches = rows_at(PLACES + scattered, sd=0.5)
    positions.loc[3, "position_sd_cm"] = math.nan
    gaps = find_gaps(positions, stretches)
    assert said(fit_planter(gaps, 16.0, gap_error_sd_cm=gap_errors(gaps, positions)), "no measurement error")


def test_rows_that_differ_widen_the_range():
    rng = np.random.default_rng(4)
    at = [PLACES[rng.random(60) > share] for share in [0.0] * 10 + [0.3] * 2]
    fit = fit_planter(gaps_of(*(x + rng.normal(0, 1.5, len(x)) for x in at)), 16.0)
    plain = mid_p(fit.skip_share.value, 720, 0.95)
    assert said(fit, "Rows differ")
    assert fit.skip_share.high - fit.skip_share.low > 1.5 * (plain[1] - plain[0])


def test_level_widens_ranges(scattered):
    gaps = gaps_of(np.delete(PLACES + scattered, [7, 33]))
    usual = fit_planter(gaps, 16.0)
    sure = fit_planter(gaps, 16.0, StatisticsSettings(level=0.99))
    for name in ("skip_share", "double_share", "placement_sd_cm", "fitted_spacing_cm"):
        a, b = getattr(usual, name), getattr(sure, name)
        assert b.low <= a.low and b.high > a.high and b.level == 0.99


def test_impossible_spacing_is_refused(scattered):
    with pytest.raises(BadSettings, match="spacing is -3"):
        fit_planter(gaps_of(PLACES + scattered), -3.0)


def made_fit(**values):
    base = {
        "spacing_cm": Estimate(16.0), "skip_share": Estimate(0.06), "double_share": Estimate(0.04),
        "placement_sd_cm": Estimate(1.5), "gaps": 60, "rows": 1, "seed_places": 62.0, "log_likelihood": 0.0,
        "converged": True, "notes": (), "fitted_spacing_cm": Estimate(16.0), "single_sd_cm": 1.5 * math.sqrt(2),
        "double_scale_cm": 3.2,
    }  # fmt: skip
    return PlanterFit(**(base | values))


def test_classes_of_gaps():
    classes = gap_classes(made_fit(), [2.0, 16.0, 32.5, 48.0, 81.0, math.nan])
    assert classes.shape[1] >= 6
    assert list(classes[:5].argmax(axis=1)) == [0, 1, 2, 3, 5]
    assert classes[:5].sum(axis=1) == pytest.approx(1)
    assert (classes[:3].max(axis=1) > 0.95).all()
    assert np.isnan(classes[5]).all()


def test_classes_of_gaps_where_nothing_is_missing():
    classes = gap_classes(made_fit(skip_share=Estimate(0.0), double_share=Estimate(0.0)), [1.0, 16.0, 320.0])
    assert classes.sum(axis=1) == pytest.approx(1)
    assert list(classes.argmax(axis=1)) == [0, 1, 20]


def test_density_of_gaps_is_one():
    x = np.linspace(0, 300, 60001)
    assert np.trapezoid(gap_density(made_fit(), x), x) == pytest.approx(1, abs=1e-4)


# The mid-P interval against its own definition for whole counts, with the binomial of scipy.
@pytest.mark.parametrize(("count", "n"), [(0, 60), (1, 60), (7, 50), (60, 60), (59, 60)])
def test_mid_p_has_half_the_tail_on_either_side(count, n):
    from scipy.stats import binom

    low, high = mid_p(count / n, n, 0.95)
    if count > 0:
        assert binom.sf(count, n, low) + binom.pmf(count, n, low) / 2 == pytest.approx(0.025, abs=1e-5)
    if count < n:
        assert binom.cdf(count - 1, n, high) + binom.pmf(count, n, high) / 2 == pytest.approx(0.025, abs=1e-5)
    assert low <= count / n <= high


def test_mid_p_of_none_is_the_rule_of_three():
    # 1 - 0.05 ** (1 / n), close to 3 / n: Hanley and Lippman-Hand 1983, JAMA 249:1743-1745, from memory
    assert mid_p(0.0, 100, 0.95) == pytest.approx((0.0, 1 - 0.05**0.01), abs=1e-6)


def test_simulated_truth():
    planter = KnownPlanter(20, 0.1, 0.05, 0.0, 0.9, wander_sd_cm=0.0)
    sim = simulate_rows(planter, 300, 1000, np.random.default_rng(6))
    truth = sim.truth.sum(numeric_only=True)
    assert truth["seed_places"] == pytest.approx(300 * 50, rel=0.01)
    empty = (truth["skipped"] + truth["failed"]) / truth["seed_places"]
    # 15,000 places: standard error 0.003
    assert empty == pytest.approx(planter.skip_share, abs=0.01)
    filled = truth["seed_places"] - truth["skipped"] - truth["failed"]
    assert truth["doubles"] / filled == pytest.approx(planter.double_share, abs=0.006)
    assert planter.skip_share == pytest.approx(1 - 0.9 * (0.95 * 0.9 + 0.05 * 0.99))
    assert sim.positions["position_cm"].between(0, 1000).all()
    assert list(sim.stretches["plants"]) == list(sim.positions.groupby("row").size())
    assert sim.positions["position_sd_cm"].isna().all()


def test_simulation_is_seeded():
    one, two = (simulate_rows(KnownPlanter(), 3, 500, np.random.default_rng(9)).positions for _ in range(2))
    pd.testing.assert_frame_equal(one, two)
