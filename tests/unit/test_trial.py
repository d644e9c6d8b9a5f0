"""Trials as wholes: what counts as a plot, which model serves, when nothing is tested, what is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.errors import BadSettings, PlotMapMismatch, TooFewData
from standcam.settings import SpacingSettings
from standcam.stand import trial_tests as tests
from standcam.stand.trial import TrialSettings, analyse_trial, comparisons_table, means_table, trends_table
from standcam.stand.trial_models import NoTest, block_state, fit_plots, fit_random, fit_shares
from standcam.stand.trial_plots import trial_plots
from standcam.summarise import summarise

PLANTER = SpacingSettings(nominal_spacing_cm=16, row_width_cm=76)


def measured(plots, rows=2, gaps=40, seed=0, photo="tape.csv"):
    """ROWS with their design and GAPS of plots (name, skip share, scatter, further columns)."""
    rng = np.random.default_rng(seed)
    positions, stretches, design = [], [], []
    for name, skip, scatter, columns in plots:
        for row in range(1, columns.get("n", rows) + 1):
            step = 16.0 * (1 + (rng.random(gaps) < skip))
            place = 10 + np.concatenate([[0.0], np.cumsum(step)]) + rng.normal(0, scatter, gaps + 1)
            file = columns.get("photo", photo)
            positions.append(
                pd.DataFrame(
                    {
                        "photo": file,
                        "plot": name,
                        "row": row,
                        "plant": range(1, gaps + 2),
                        "position_cm": np.sort(place),
                    }
                )
            )
            stretches.append(
                {
                    "photo": file,
                    "plot": name,
                    "row": row,
                    "from_cm": -20.0,
                    "to_cm": place.max() + 8,
                    "plants": gaps + 1,
                    "status": "ok",
                }
            )
            design.append({k: v for k, v in columns.items() if k not in ("n", "photo")})
    summary = summarise(pd.concat(positions), pd.DataFrame(stretches), PLANTER)
    return pd.concat([summary.rows, pd.DataFrame(design)], axis=1), summary.gaps, summary.plots


def blocks_of(treatments, blocks=4, **more):
    """Plots of complete blocks; treatments as (name, skip share, scatter)."""
    return [
        (f"{b}0{i + 1}", skip, scatter, {"treatment": t, "block": str(b), **more})
        for b in range(1, blocks + 1)
        for i, (t, skip, scatter) in enumerate(treatments)
    ]


TWO = [("A", 0.10, 1.0), ("B", 0.02, 1.0)]


@pytest.fixture(scope="module")
def two():
    rows, gaps, plots = measured(blocks_of(TWO), rows=3)
    return trial_plots(rows, gaps, spacing=PLANTER), plots


def test_plot_values_are_those_of_the_results(two):
    design, plots = two
    assert design.treatments == ("A", "B") and design.blocked
    both = design.plots.merge(plots, on="plot", suffixes=("", "_there"))
    assert len(both) == 8
    for name in (n for n in tables.PLOTS.names if n in design.plots and n != "plot"):
        assert both[name].to_numpy(float) == pytest.approx(both[f"{name}_there"].to_numpy(float)), name
    assert design.notes == ()


def test_two_treatments_in_blocks(two):
    found = analyse_trial(two[0], ["misses_pct", "sd_gap_cm"])
    skips, sd = found.outcomes
    (c,) = skips.comparisons
    assert (c.treatment, c.against) == ("B", "A")
    assert skips.method == "one pair" and "logistic" in skips.means.model and c.df == 3
    assert -16 < c.difference.low < c.difference.value < c.difference.high < 0 and c.real(0.95)
    assert c.percent.value == pytest.approx(100 * c.difference.value / two[0].plots["misses_pct"].mean())
    # equal numbers of gaps: the fitted difference is that of the raw percentages
    raw = two[0].plots.groupby("treatment")["misses_pct"].mean()
    assert c.difference.value == pytest.approx(raw["B"] - raw["A"])
    assert skips.table["fitted"].tolist() == pytest.approx(raw.tolist())
    assert "randomised block" in sd.means.model and sd.means.anova is not None
    assert any("3 degrees of freedom" in n for n in sd.notes)


def test_interval_and_test_agree(two):
    """On the log odds scale too: zero is inside the interval exactly when p is above 5 %."""
    for seed in range(6):
        rows, gaps, _ = measured(blocks_of([("A", 0.08, 1), ("B", 0.04, 1), ("C", 0.05, 1)]), gaps=40, seed=seed)
        (o,) = analyse_trial(trial_plots(rows, gaps), ["misses_pct"]).outcomes
        for c in o.comparisons:
            assert (c.difference.low < 0 < c.difference.high) == (c.p_value > 0.05)


def test_order_of_rows_and_names_do_not_matter(two):
    rows, gaps, _ = measured(blocks_of(TWO), rows=3)
    mixed = rows.sample(frac=1, random_state=2)
    a = comparisons_table(analyse_trial(two[0], ["sd_gap_cm", "misses_pct"]))
    b = comparisons_table(
        analyse_trial(trial_plots(mixed, gaps.sample(frac=1, random_state=3)), ["sd_gap_cm", "misses_pct"])
    )
    pd.testing.assert_frame_equal(a, b)


def test_control_and_its_place():
    rows, gaps, _ = measured(blocks_of([("A", 0.08, 1), ("B", 0.04, 1), ("C", 0.05, 1)]))
    design = trial_plots(rows, gaps)
    (o,) = analyse_trial(design, ["sd_gap_cm"], control="B").outcomes
    assert [(c.treatment, c.against) for c in o.comparisons] == [("A", "B"), ("C", "B")] and o.method == "Dunnett"
    (all_pairs,) = analyse_trial(design, ["sd_gap_cm"]).outcomes
    narrow = o.comparisons[0].difference
    wide = next(c for c in all_pairs.comparisons if {c.treatment, c.against} == {"A", "B"}).difference
    assert narrow.high - narrow.low < wide.high - wide.low
    with pytest.raises(PlotMapMismatch, match="'X' named as control"):
        analyse_trial(design, ["sd_gap_cm"], control="X")
    with pytest.raises(BadSettings, match="nonsense"):
        analyse_trial(design, ["nonsense"])


def test_no_replication_is_refused_but_means_are_given():
    rows, gaps, _ = measured([("a", 0.1, 1, {"treatment": "A"}), ("b", 0.02, 1, {"treatment": "B"})], rows=8)
    (o,) = analyse_trial(trial_plots(rows, gaps), ["misses_pct"]).outcomes
    assert "one plot only" in o.refused and "no replicates" in o.refused
    assert o.table["mean"].notna().all() and o.table["low"].isna().all() and o.comparisons == ()


def test_one_block_holds_no_error():
    rows, gaps, _ = measured([*blocks_of(TWO, 1), ("x", 0.1, 1, {"treatment": "A", "block": "1"})])
    (o,) = analyse_trial(trial_plots(rows, gaps), ["sd_gap_cm"]).outcomes
    assert o.means.df == 1 and "one-way" in o.means.model
    assert any("B stands in one plot only" in n for n in o.notes)


def test_treatment_and_block_confounded():
    plots = [(f"{t}{i}", 0.05, 1, {"treatment": t, "block": b}) for t, b in (("A", "1"), ("B", "2")) for i in range(3)]
    rows, gaps, _ = measured(plots)
    (o,) = analyse_trial(trial_plots(rows, gaps), ["sd_gap_cm"]).outcomes
    assert "confounded (A only in block 1; B only in block 2)" in o.refused


def test_blocks_of_one_treatment_are_the_plots():
    """Three fields a treatment, two plots in each: fields are what was replicated, and four are left for error."""
    plots = [
        (f"{t}{f}{i}", 0.05, 1, {"treatment": t, "block": f"{t}{f}"}) for t in "AB" for f in range(3) for i in range(2)
    ]
    rows, gaps, _ = measured(plots)
    for o in analyse_trial(trial_plots(rows, gaps), ["sd_gap_cm", "misses_pct"]).outcomes:
        assert o.means.df == 4 and any("whole blocks are taken as the plots" in n for n in o.notes)


def test_split_planter_halves_are_plots_and_passes_blocks():
    passes = []
    for p in range(4):
        for half, t in enumerate("AB" if p % 2 else "BA"):
            passes.append((f"pass{p}", 0.08 if t == "A" else 0.02, 1, {"treatment": t, "half": half}))
    rows, gaps, _ = measured([(n, s, c, {**d, "photo": f"{n}{d['half']}.csv"}) for n, s, c, d in passes], rows=3)
    design = trial_plots(rows, gaps)
    assert len(design.plots) == 8 and design.blocked and design.plots["block"].nunique() == 4
    assert any("planter set up by halves" in n for n in design.notes)
    (o,) = analyse_trial(design, ["misses_pct"]).outcomes
    assert o.means.df == 3


def test_row_units_that_go_with_the_treatment_are_told():
    plots = [(n, s, c, {**d, "row_unit": "1" if d["treatment"] == "A" else "5"}) for n, s, c, d in blocks_of(TWO)]
    rows, gaps, _ = measured(plots)
    (note,) = trial_plots(rows, gaps).notes
    assert "Treatment and row unit go together (A on 1; B on 5)" in note
    swapped = [(n, s, c, {**d, "row_unit": str(1 + (i + i // 2) % 2)}) for i, (n, s, c, d) in enumerate(plots)]
    rows, gaps, _ = measured(swapped)
    assert trial_plots(rows, gaps).notes == ()


def test_several_row_units_none_shared():
    rows, gaps, _ = measured(blocks_of(TWO), rows=2)
    rows["row_unit"] = [f"{r + (0 if t == 'A' else 4)}" for r, t in zip(rows["row"], rows["treatment"], strict=True)]
    assert any("No row unit carried more than one treatment" in n for n in trial_plots(rows, gaps).notes)


def test_other_columns_that_go_with_the_treatment():
    plots = [
        (n, s, c, {**d, "hybrid": "h" + d["treatment"], "speed_kmh": 8 if d["treatment"] == "A" else 10})
        for n, s, c, d in blocks_of(TWO)
    ]
    notes = trial_plots(*measured(plots)[:2]).notes
    assert any(n.startswith("hybrid goes with the treatment") for n in notes)
    assert any("--dose speed_kmh shows the response" in n for n in notes)


def test_same_order_in_all_blocks_is_told():
    plots = [(n, s, c, {**d, "strip": i}) for i, (n, s, c, d) in enumerate(blocks_of([*TWO, ("C", 0.03, 1)]))]
    assert any("not randomised" in n for n in trial_plots(*measured(plots)[:2]).notes)


def test_photos_without_plot_names_are_samples():
    plots = []
    for b in range(1, 4):
        for t in "AB":
            for i in range(2):
                name = f"img{b}{t}{i}"
                plots.append(
                    (name, 0.1 if t == "A" else 0.02, 1, {"treatment": t, "block": str(b), "photo": f"{name}.jpg"})
                )
    rows, gaps, _ = measured(plots, rows=1)
    design = trial_plots(rows, gaps)
    assert len(design.plots) == 6 and (design.plots["rows"] == 2).all()
    assert any("samples of one plot" in n for n in design.notes)
    rows["strip_name"] = rows["plot"]
    assert len(trial_plots(rows, gaps, plots_are="strip_name").plots) == 12
    no_blocks = trial_plots(rows.drop(columns="block"), gaps)
    assert len(no_blocks.plots) == 12 and any("each counts as a plot of its own" in n for n in no_blocks.notes)


def test_plots_named_alike_in_each_block():
    plots = [(n, s, c, {**d, "number": n[-1]}) for n, s, c, d in blocks_of(TWO)]
    rows, gaps, _ = measured(plots)
    design = trial_plots(rows, gaps, plots_are="number")
    assert len(design.plots) == 8 and any("recur in several blocks" in n for n in design.notes)


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        (lambda r: r.drop(columns="treatment"), PlotMapMismatch, "No column 'treatment'.*known: block"),
        (lambda r: r.assign(treatment=""), PlotMapMismatch, "No row has a treatment"),
        (lambda r: r.assign(block=["", *r["block"][1:]]), PlotMapMismatch, "Plots without a block.*: 101"),
        (lambda r: r.assign(plot="p"), PlotMapMismatch, "several blocks: p"),
        (lambda r: r.iloc[:0], TooFewData, "no measured rows"),
    ],
)
def test_designs_that_cannot_be(change, error, message):
    rows, gaps, _ = measured(blocks_of(TWO))
    with pytest.raises(error, match=message):
        trial_plots(change(rows), gaps)


def test_rows_without_treatment_are_left_out_and_told():
    rows, gaps, _ = measured(blocks_of(TWO))
    rows.loc[:1, "treatment"] = ""
    design = trial_plots(rows, gaps)
    assert len(design.plots) == 7 and "2 of 16 rows have no treatment and are left out." in design.notes


def test_a_share_that_one_treatment_has_none_of():
    rows, gaps, _ = measured(blocks_of([("A", 0.10, 0.5), ("B", 0.0, 0.5)]))
    (o,) = analyse_trial(trial_plots(rows, gaps), ["misses_pct"]).outcomes
    assert "in percent (a treatment has none at all" in o.means.model and o.means.scale == "identity"
    (doubles,) = analyse_trial(trial_plots(rows, gaps), ["multiples_pct"]).outcomes
    assert doubles.refused == "it is the same in all plots"


def test_rows_unequal_in_number_ask_for_a_mixed_model():
    plots = [
        (n, s, 1 + 0.3 * (i % 4), {**d, "n": 2 + i % 3})
        for i, (n, s, c, d) in enumerate(blocks_of([*TWO, ("C", 0.05, 1)], 5))
    ]
    rows, gaps, _ = measured(plots, seed=3)
    mean, sd = analyse_trial(trial_plots(rows, gaps), ["mean_gap_cm", "sd_gap_cm"]).outcomes
    models = {o.measure.name: o.means.model for o in (mean, sd)}
    assert any("random plots" in m for m in models.values()), models
    for o in (mean, sd):
        # rows are never replicates: error has at most the degrees of freedom of the plots, and a little for weights
        assert o.means.df < 9


def test_rows_never_pose_as_replicates():
    """Where plots do not differ beyond their rows, the plot variance is zero: back to plot values, and said so."""
    rng = np.random.default_rng(5)
    plot = np.repeat(np.arange(8), [1, 2, 3, 2, 1, 3, 2, 2])
    treatment, block = np.tile([0, 1], 4)[plot], np.repeat(np.arange(4), 2)[plot]
    value = rng.normal(0, 1, len(plot))
    value -= (np.bincount(plot, value) / np.bincount(plot))[plot] * 0.9
    with pytest.raises(NoTest, match="variance between plots came out as zero"):
        fit_random(value, treatment, ["A", "B"], block=block, blocks_random=False, plot=plot)


def test_incomplete_blocks_are_random():
    plots = [p for i, p in enumerate(blocks_of([*TWO, ("C", 0.05, 1)], 6)) if i not in (2, 4, 9)]
    plots = [(n, s, c + 0.2 * int(d["block"]), d) for n, s, c, d in plots]
    rows, gaps, _ = measured(plots)
    (o,) = analyse_trial(trial_plots(rows, gaps), ["sd_gap_cm"]).outcomes
    assert "random blocks" in o.means.model and any("Not every block holds every treatment" in n for n in o.notes)
    assert o.means.components["block"] > 0


def test_block_states():
    t = np.array(["A", "B", "A", "B"])
    assert block_state(t, None) == "none"
    assert block_state(t, np.array(["1", "1", "2", "2"])) == "complete"
    assert block_state(np.array(["A", "B", "B", "C"]), np.array(["1", "1", "2", "2"])) == "incomplete"
    assert block_state(np.array(["A", "B", "C", "D"]), np.array(["1", "1", "2", "2"])) == "apart"


def test_dose_response_of_speed():
    plots = []
    for b in range(1, 5):
        for i, v in enumerate((6, 8, 10, 12)):
            plots.append((f"{b}0{i}", 0.02 + 0.015 * (v - 6), 1 + 0.3 * (v - 6), {"speed_kmh": v, "block": str(b)}))
    rows, gaps, _ = measured(plots)
    design = trial_plots(rows, gaps, dose="speed_kmh")
    assert design.treatments == ("6", "8", "10", "12")
    sd, skips = analyse_trial(design, ["sd_gap_cm", "misses_pct"]).outcomes
    assert sd.trend.slope.low > 0 and sd.trend.p_value < 0.01 and sd.trend.at == 9
    # skips: 1.5 points a km/h went in; the slope is in points at the mean speed
    assert skips.trend.slope.low < 1.5 < skips.trend.slope.high and skips.trend.slope.value > 0.5
    assert trends_table(analyse_trial(design, ["sd_gap_cm"]))["dose"].tolist() == ["speed_kmh"]
    assert list(means_table(analyse_trial(design, ["sd_gap_cm"]))["dose"]) == [6, 8, 10, 12]


def test_a_curve_only_where_the_data_ask_for_it():
    rng = np.random.default_rng(8)
    code, block = np.tile(np.arange(5), 4), np.repeat(np.arange(4), 5)
    dose = np.array([4.0, 6, 8, 10, 12])
    noise = rng.normal(0, 0.3, 20)
    bent = fit_plots(0.1 * (dose[code] - 7) ** 2 + noise, code, list("abcde"), block)
    straight = fit_plots(0.5 * dose[code] + noise, code, list("abcde"), block)
    found = tests.dose_response(bent, dose, 0.95)
    assert found.misfit_p < 0.05 and found.curve[2] == pytest.approx(0.1, abs=0.03)
    assert tests.dose_response(straight, dose, 0.95).curve is None


def test_treatments_crossed_with_speed():
    plots = [
        (f"{b}{t}{v}", 0.04, 1 + 0.4 * (t == "B") + 0.1 * v, {"treatment": t, "speed_kmh": v, "block": str(b)})
        for b in range(4) for t in "AB" for v in (6, 8, 10)
    ]  # fmt: skip
    rows, gaps, _ = measured(plots)
    design = trial_plots(rows, gaps, dose="speed_kmh")
    assert design.treatments[:2] == ("A at 6", "B at 6") and design.kinds[:2] == ("A", "B")
    (o,) = analyse_trial(design, ["sd_gap_cm"]).outcomes
    assert len(o.comparisons) == 15 and o.trend.slope.value > 0 and np.isfinite(o.trend.misfit_p)


def test_doses_that_do_not_serve():
    rows, gaps, _ = measured([(n, s, c, {**d, "speed_kmh": 8}) for n, s, c, d in blocks_of(TWO)])
    (o,) = analyse_trial(trial_plots(rows, gaps, dose="speed_kmh"), ["sd_gap_cm"]).outcomes
    assert o.trend is None and any("does not vary" in n for n in o.notes)
    with pytest.raises(PlotMapMismatch, match="speed_kmh is no number in plots 101"):
        trial_plots(rows.assign(speed_kmh=["fast", *[8] * 15]), gaps, dose="speed_kmh")


def test_detectable_difference_has_the_power_it_claims():
    bound = tests.critical(tests.TUKEY, 0.95, 3, 6)
    d = tests.detectable(2.0, 6, bound, 0.8)
    assert tests.power(d, 2.0, 6, bound) == pytest.approx(0.8)
    assert d > 2.0 * (bound + 0.84)  # the normal approximation is short of it
    n = tests.plots_needed(1.0, 1.0, 3, blocked=True, method=tests.TUKEY, level=0.95)
    df = [(m - 1) * 2 for m in (n - 1, n)]
    power = [
        tests.power(1, np.sqrt(2 / m), d, tests.critical(tests.TUKEY, 0.95, 3, d))
        for m, d in zip((n - 1, n), df, strict=True)
    ]
    assert power[0] < 0.8 <= power[1]
    assert tests.plots_needed(0.01, 1.0, 3, blocked=True, method=tests.TUKEY, level=0.95) is None
    assert tests.plots_needed(0.0, 1.0, 3, blocked=True, method=tests.TUKEY, level=0.95) is None


def test_wanted_difference_in_points(two):
    (o,) = analyse_trial(two[0], ["misses_pct"], wanted=1.0).outcomes
    (more,) = analyse_trial(two[0], ["misses_pct"], wanted=4.0).outcomes
    assert o.plots_wanted > more.plots_wanted >= 2
    assert tests.points(
        float(o.means.estimate.mean()) + o.means.shifts, tests.log_odds_of_points(o.means, 4.0)
    ) == pytest.approx(4.0)


@pytest.mark.parametrize("factor", [1 / 2.54, 1e4])
def test_other_units_change_nothing_but_the_unit(factor):
    rng = np.random.default_rng(21)
    code, block, plot = (
        np.tile([0, 1, 2], 5),
        np.repeat(np.arange(5), 3),
        np.repeat(np.arange(15), rng.integers(1, 4, 15)),
    )
    value = rng.normal(10, 1, 15)
    rows = value[plot] + rng.normal(0, 0.5, len(plot))
    for one, other in (
        [fit_plots(value * f, code, list("abc"), block) for f in (1, factor)],
        [
            fit_random(rows * f, code[plot], list("abc"), block=block[plot], blocks_random=True, plot=plot)
            for f in (1, factor)
        ],
    ):
        assert (other.p, other.df) == (pytest.approx(one.p, rel=1e-4), pytest.approx(one.df, rel=1e-4))
        assert other.estimate == pytest.approx(factor * one.estimate, rel=1e-6)
        assert other.cov == pytest.approx(factor**2 * one.cov, rel=1e-3)


def test_an_odd_plot_is_named_and_kept():
    rows, gaps, _ = measured(
        [(n, s, 9.0 if n == "302" else 1.0, d) for n, s, c, d in blocks_of([*TWO, ("C", 0.05, 1)], 5)]
    )
    (o,) = analyse_trial(trial_plots(rows, gaps), ["sd_gap_cm"]).outcomes
    assert any("Plot 302 (B) lies farther off" in n for n in o.notes)
    assert o.table["plots"].tolist() == [5, 5, 5]


def test_plots_without_any_scatter():
    with pytest.raises(NoTest, match="no scatter"):
        fit_plots(np.array([1.0, 2, 1, 2]), np.array([0, 1, 0, 1]), ["A", "B"], None)
    with pytest.raises(NoTest, match="no degrees of freedom"):
        fit_plots(np.array([1.0, 2]), np.array([0, 1]), ["A", "B"], None)


def test_a_column_of_the_plot_map_as_measure():
    rows, gaps, _ = measured(
        [(n, s, c, {**d, "late_pct": 5.0 + i % 3}) for i, (n, s, c, d) in enumerate(blocks_of(TWO))]
    )
    design = trial_plots(rows, gaps, more=["late_pct", "near_nominal_pct"])
    late, near = analyse_trial(design, ["late_pct", "near_nominal_pct"]).outcomes
    assert late.measure.noun == "late_pct" and late.table["mean"].tolist() == pytest.approx([5.75, 6.0])
    assert near.measure.unit == "points" and np.isfinite(near.comparisons[0].p_value)


def test_settings_refuse_nonsense():
    with pytest.raises(BadSettings, match="level is 1"):
        TrialSettings(level=1.5)


@pytest.mark.parametrize("blocked", [False, True])
def test_false_alarms_stay_at_five_percent(blocked):
    """No difference between four treatments: any pair called real in about 5 of 100 trials, by Tukey's bound."""
    rng = np.random.default_rng(11)
    code, block = np.tile(np.arange(4), 4), np.repeat(np.arange(4), 4)
    means = [fit_plots(rng.normal(0, 1, 16) + block, code, list("abcd"), block) if blocked else
             fit_plots(rng.normal(0, 1, 16), code, list("abcd"), None) for _ in range(250)]  # fmt: skip
    bound = tests.critical(tests.TUKEY, 0.95, 4, means[0].df)
    largest = [np.ptp(m.estimate) / np.sqrt(2 * m.cov[0, 0]) for m in means]
    # 250 trials: standard error 1.4 points
    assert 1.5 <= 100 * np.mean(np.array(largest) > bound) <= 9.0


def test_false_alarms_with_shares_that_scatter_more_than_coin_tosses():
    rng = np.random.default_rng(12)
    code, block = np.tile(np.arange(3), 4), np.repeat(np.arange(4), 3)
    p = []
    for _ in range(200):
        share = 1 / (1 + np.exp(2.6 - 0.3 * rng.normal(size=4)[block] - 0.35 * rng.normal(size=12)))
        p.append(fit_shares(rng.binomial(150, share).astype(float), np.full(12, 150.0), code, list("abc"), block).p)
    assert 2.0 <= 100 * np.mean(np.array(p) < 0.05) <= 9.0


def test_intervals_of_a_nested_trial_cover_the_truth():
    rng = np.random.default_rng(13)
    treatment = np.tile([0, 1], 6)
    rows = np.array([1, 2, 3, 4, 2, 2, 3, 1, 2, 3, 4, 2])
    plot = np.repeat(np.arange(12), rows)
    covered = []
    for _ in range(100):
        value = (rng.normal(0, 1, 12) + treatment)[plot] + rng.normal(0, 1, len(plot))
        try:
            means = fit_random(value, treatment[plot], ["a", "b"], block=None, blocks_random=False, plot=plot)
        except NoTest:
            means = fit_plots(np.bincount(plot, value) / rows, treatment, ["a", "b"], None)
        (pair,), _ = tests.pairs(means, 0.95)
        covered.append(pair.low < 1 < pair.high)
    assert 90 <= 100 * np.mean(covered) <= 99
