"""Side-by-side trials: which treatment did what to the stand, how surely, and how many plots would tell more.

Each measure is analysed by itself, plots being the replicates. What is fitted follows from the design and is
told with its reason:

=========================== =============================================================================
shares of counted gaps       logistic regression of plot counts, scatter taken from the plots
no blocks                    one-way analysis of variance
complete blocks              randomised block analysis of variance
incomplete blocks            mixed model, random blocks (REML, Kenward-Roger)
rows unequal in number       mixed model of row values, random plot above its rows
a random variance of zero    back to the analysis of plot values with fixed blocks
=========================== =============================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from standcam.errors import BadSettings, PlotMapMismatch
from standcam.estimate import Estimate
from standcam.stand import trial_tests as tests
from standcam.stand.trial_models import (
    Means,
    NoTest,
    block_state,
    codes,
    fit_plots,
    fit_random,
    fit_shares,
)
from standcam.stand.trial_plots import MEASURES, Measure, TrialPlots, measure_of
from standcam.stand.trial_tables import COMPARISONS, MEANS, TRENDS
from standcam.tables import ROWS


@dataclass(frozen=True)
class TrialSettings:
    """How a trial is judged."""

    level: float = 0.95
    """Confidence of each family of intervals. Wrong where a false alarm is cheap and a miss is not: 0.9 serves. [1]"""
    chance: float = 0.8
    """Chance with which a true difference is to be found, where plots are counted out (common practice). [1]"""
    few_df: float = 6.0
    """Below this, intervals are wide and one odd plot decides; said in words (common practice, no source)."""

    def __post_init__(self) -> None:
        if not (0.5 <= self.level < 1 and 0.5 <= self.chance < 1):
            raise BadSettings(f"level is {self.level}, chance {self.chance}.", "Give shares from 0.5 to below 1.")


@dataclass(frozen=True)
class Comparison:
    """Two treatments in one measure."""

    treatment: str
    against: str
    difference: Estimate
    """Treatment less the other, in the unit of the measure; the interval holds for the whole family."""
    percent: Estimate
    """In percent of the mean of all plots."""
    p_value: float
    df: float
    plots_needed: int | None
    """Plots of each treatment that would find this difference, were it true; None beyond 500."""

    def real(self, level: float) -> bool:
        """Whether chance is an unlikely explanation at this level."""
        return self.p_value < 1 - level


@dataclass(frozen=True)
class Trend:
    """Response of one measure to a dose, in the unit of the measure."""

    slope: Estimate
    """Change with one unit of the dose, at the mean dose."""
    at: float
    p_value: float
    misfit_p: float
    curve_p: float
    curved: bool
    line: tuple[np.ndarray, np.ndarray]
    """Doses and fitted values, for drawing."""


@dataclass(frozen=True)
class Outcome:
    """One measure of a trial."""

    measure: Measure
    table: pd.DataFrame
    """MEANS of this measure."""
    refused: str = ""
    """Why nothing was tested; empty where it was."""
    means: Means | None = None
    comparisons: tuple[Comparison, ...] = ()
    method: str = ""
    detectable: float = float("nan")
    """Smallest true difference of two treatments that so many plots find, in the unit of the measure."""
    plots_each: float = float("nan")
    """Plots of a treatment now (harmonic mean)."""
    wanted: float = float("nan")
    """Difference that the user wants to find."""
    plots_wanted: int | None = None
    """Plots of each treatment that would find it."""
    trend: Trend | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class YieldOnSpacing:
    """Yield against spacing SD between plots of one treatment and block."""

    slope: Estimate
    """[kg/ha per cm]"""
    p_value: float
    df: float
    plots: int
    sd_range_cm: tuple[float, float]
    published: tuple[float, float]
    """Least and greatest loss that studies found. [kg/ha per cm]"""
    threshold_cm: float


@dataclass(frozen=True)
class Trial:
    """Outcome of a trial, the primary measure first."""

    design: TrialPlots
    outcomes: tuple[Outcome, ...]
    yield_on_spacing: YieldOnSpacing | None
    settings: TrialSettings
    control: str
    notes: tuple[str, ...] = field(default=())


def analyse_trial(
    design: TrialPlots,
    measures: Sequence[str],
    settings: TrialSettings | None = None,
    *,
    control: str = "",
    wanted: float | None = None,
) -> Trial:
    """Compare treatments, one measure after the other.

    Parameters
    ----------
    design : TrialPlots
        Plots; with a column yield_kg_ha where yield is a measure.
    measures : sequence of str
        Names in MEASURES, or further columns of the plots; the primary one first.
    settings : TrialSettings, optional
    control : str
        Compare all others with this treatment (Dunnett) in place of all pairs (Tukey).
    wanted : float, optional
        Difference worth finding in the primary measure, in its unit: plots are counted out for it.

    Raises
    ------
    BadSettings
        A measure is not known.
    PlotMapMismatch
        The control is no treatment of the trial.
    """
    settings = settings or TrialSettings()
    unknown = [m for m in measures if m not in MEASURES and m not in design.plots]
    if unknown:
        raise BadSettings(f"No measure is called {', '.join(unknown)}.", f"Known are: {', '.join(MEASURES)}.")
    if control and control not in design.treatments:
        raise PlotMapMismatch(
            f"No plot has the treatment {control!r} named as control.",
            f"Treatments are: {', '.join(design.treatments)}.",
        )
    outcomes = tuple(
        _outcome(design, measure_of(m), settings, control, wanted if i == 0 else None)
        for i, m in enumerate(dict.fromkeys(measures))
    )
    relation = yield_on_spacing(design, settings.level) if "yield_kg_ha" in design.plots else None
    return Trial(design, outcomes, relation, settings, control, design.notes)


def _outcome(
    design: TrialPlots, measure: Measure, settings: TrialSettings, control: str, wanted: float | None
) -> Outcome:
    plots = design.plots
    value = plots[measure.name].to_numpy(float) if measure.name in plots else np.full(len(plots), np.nan)
    there = np.isfinite(value)
    used = plots[there].reset_index(drop=True)
    present = [t for t in design.treatments if (used["treatment"] == t).any()]
    notes: list[str] = []
    try:
        if len(present) < 2:
            raise NoTest("there are no values" if not present else f"only {present[0]} has values")
        if (~there).any():
            notes.append(f"{(~there).sum()} of {len(plots)} plots have no {measure.noun} and are left out of it.")
        means, units = _fit(design, measure, used, present, notes)
    except NoTest as reason:
        return Outcome(measure, _table(design, measure, used, None, settings), str(reason), notes=tuple(notes))
    each = units.groupby("treatment").size().reindex(present)
    if (each == 1).any():
        notes.append(
            f"{', '.join(each.index[each == 1])} stands in one plot only: its scatter is taken from the others."
        )
    if means.df < settings.few_df:
        notes.append(
            f"Only {means.df:.0f} degrees of freedom for error: intervals are wide, and one odd plot can decide."
        )
    for i in means.odd:
        notes.append(
            f"Plot {units['plot'].iloc[i]} ({units['treatment'].iloc[i]}) lies farther off than chance explains: look "
            "at it before you trust the rest. It was kept."
        )
    at = present.index(control) if control in present else None
    if control and at is None:
        notes.append(f"The control {control} has no values: all pairs are compared.")
    pairs, method = tests.pairs(means, settings.level, at)
    grand = float(used[measure.name].mean())
    n = float(len(each) / (1 / each).sum())
    state = block_state(units["treatment"].to_numpy(), units["block"].to_numpy() if design.blocked else None)
    sd = float(np.mean([p.se for p in pairs])) * np.sqrt(n / 2)
    count = partial(
        tests.plots_needed, sd=sd, k=len(present), blocked=state in ("complete", "incomplete"), method=method,
        level=settings.level, chance=settings.chance,
    )  # fmt: skip
    comparisons = tuple(_comparison(means, p, present, grand, settings.level, count) for p in pairs)
    widest = max(pairs, key=lambda p: p.se)
    bound = (widest.high - widest.low) / 2 / widest.se
    smallest = tests.detectable(float(np.mean([p.se for p in pairs])), widest.df, bound, settings.chance)
    middle = _middle_points(means, smallest)
    trend = None
    if design.dose:
        trend, more = _trend(design, means, present, used, settings.level)
        notes += more
    return Outcome(
        measure, _table(design, measure, used, means, settings), "", means, comparisons, method, middle, n,
        float("nan") if wanted is None else wanted,
        None if wanted is None else count(tests.log_odds_of_points(means, wanted)),
        trend, tuple([*notes, *means.notes]),
    )  # fmt: skip


def _fit(
    design: TrialPlots, measure: Measure, used: pd.DataFrame, present: list[str], notes: list[str]
) -> tuple[Means, pd.DataFrame]:
    """The model that the design asks for, and the units it took as plots."""
    if used.groupby("treatment").size().max() < 2:
        raise NoTest("every treatment stands in one plot only; rows and plants within it are no replicates")
    blocked = design.blocked
    state = block_state(used["treatment"].to_numpy(), used["block"].to_numpy() if blocked else None)
    if state == "apart":
        used = _blocks_as_plots(used, measure, notes)
        blocked, state = False, "none"
    treatment = codes(used["treatment"].to_numpy(), present)
    block = pd.factorize(used["block"])[0] if blocked else None
    if blocked and block is not None and block.max() == 0:
        block, state = None, "none"
    if measure.counts:
        of = used[["doubles", "singles", "skips"]].sum(axis=1).to_numpy(float)
        return fit_shares(used[measure.counts].to_numpy(float), of, treatment, present, block), used
    value = used[measure.name].to_numpy(float)
    random = state == "incomplete" and block is not None and block.max() + 1 >= 3
    nested = _row_values(design, measure, used, notes) if measure.name in ROWS.names else None
    try:
        if nested is not None:
            row_value, row_plot = nested
            found = fit_random(
                row_value, treatment[row_plot], present, block=None if block is None else block[row_plot],
                blocks_random=random, plot=row_plot,
            )  # fmt: skip
            notes.append(
                "Plots have unequal numbers of rows: rows are weighed within plots by a mixed model (row values, "
                "random plots). Its means are those of row values and differ a little from the plot table's."
            )
            return found, used
        if random:
            notes.append("Not every block holds every treatment: blocks are random, so that all plots are used.")
            return fit_random(value, treatment, present, block=block, blocks_random=True), used
    except NoTest as reason:
        way = " with fixed blocks" if block is not None else ""
        notes.append(f"No mixed model: {reason}. Plot values are analysed{way} instead.")
    return fit_plots(value, treatment, present, block), used


def _blocks_as_plots(used: pd.DataFrame, measure: Measure, notes: list[str]) -> pd.DataFrame:
    """Blocks that hold one treatment each are the true plots, if a treatment has several of them.

    Raises
    ------
    NoTest
        Treatment and block cannot be told apart.
    """
    held = used.groupby("block")["treatment"].nunique()
    each = used.groupby("treatment")["block"].nunique()
    if held.max() > 1 or each.max() < 2:
        places = used.groupby("treatment")["block"].unique()
        told = "; ".join(f"{t} only in block {', '.join(b)}" for t, b in places.items())
        raise NoTest(
            f"treatments and blocks are confounded ({told}): a difference between blocks looks the same as one between "
            "treatments"
        )
    notes.append(
        "Each block holds one treatment only: whole blocks are taken as the plots, and the plots in them as samples."
    )
    sums = {c: (c, "sum") for c in ("doubles", "singles", "skips", "gaps")}
    return used.groupby(["treatment", "block"], sort=False, as_index=False).agg(
        plot=("block", "first"), **{measure.name: (measure.name, "mean")}, **sums
    )


def _row_values(
    design: TrialPlots, measure: Measure, used: pd.DataFrame, notes: list[str]
) -> tuple[np.ndarray, np.ndarray] | None:
    """Row values and the place of each row's plot in ``used``, where plots have unequal numbers of rows."""
    if "measured_plot" not in used:  # whole blocks stand for plots
        return None
    rows = design.rows
    place = design.plots.reset_index().merge(used[["plot", "treatment", "block"]].reset_index(names="to"))
    to = place.set_index("index")["to"].reindex(rows["at"]).to_numpy(float)
    value = rows[measure.name].to_numpy(float)
    keep = np.isfinite(to) & np.isfinite(value)
    plot, value = to[keep].astype(int), value[keep]
    count = np.bincount(plot, minlength=len(used))
    if count.max() < 2 or count.min() == count.max() or count.min() == 0:
        return None
    plants = rows.loc[keep, "plants"].to_numpy(float)
    if plants.max() > 3 * max(plants.min(), 1.0):
        notes.append("Rows differ more than threefold in plants: values pooled over each plot are analysed.")
        return None
    return value, plot


def _comparison(
    means: Means, pair: tests.Pair, present: list[str], grand: float, level: float, count: Callable[[float], int | None]
) -> Comparison:
    ends = [tests.on_scale(means, pair.first, pair.second, d) for d in (pair.difference, pair.low, pair.high)]
    difference = Estimate(ends[0], ends[1], ends[2], level)
    percent = difference.scaled(100 / grand) if grand > 0 else Estimate(float("nan"), level=level)
    return Comparison(
        present[pair.second], present[pair.first], difference, percent, pair.p, pair.df,
        count(pair.difference),
    )  # fmt: skip


def _middle_points(means: Means, difference: float) -> float:
    """A difference on the scale of the analysis about the mean of all treatments, in the unit of the measure."""
    if means.scale != "logit" or not np.isfinite(difference):
        return difference
    return abs(tests.points(float(means.estimate.mean()) + means.shifts, difference))


def _trend(
    design: TrialPlots, means: Means, present: list[str], used: pd.DataFrame, level: float
) -> tuple[Trend | None, list[str]]:
    of = design.plots.drop_duplicates("treatment").set_index("treatment")
    dose = of["dose"].reindex(present).to_numpy(float)
    kind = pd.factorize(of["kind"].reindex(present))[0] if design.kinds else None
    notes = []
    free = len(present) - (1 if kind is None else int(kind.max()) + 1)
    if len(np.unique(dose)) < 2 or free < 1:
        return None, [f"{design.dose} does not vary: no response to it can be shown."]
    if kind is None and len(np.unique(dose)) < len(present):
        notes.append(f"Several treatments share a {design.dose}; the line runs through all of them.")
    found = tests.dose_response(means, dose, level, kind)
    if len(np.unique(dose)) == 2:
        notes.append(f"Two values of {design.dose}: a line always fits, and a bend cannot be seen.")

    def points(d: float) -> float:
        if means.scale != "logit":
            return d
        return float(tests.points(found.middle + means.shifts, d))

    slope = Estimate(points(found.slope), points(found.low), points(found.high), level)
    x = np.linspace(dose.min(), dose.max(), 41)
    away = x - found.at
    if found.curve:
        fitted = found.curve[0] + found.curve[1] * away + found.curve[2] * away**2
    else:
        fitted = found.middle + found.slope * away
    line = (x, np.array([tests.level_on_scale(means, float(v)) for v in fitted]))
    return Trend(slope, found.at, found.p, found.misfit_p, found.curve_p, bool(found.curve), line), notes


def _table(
    design: TrialPlots, measure: Measure, used: pd.DataFrame, means: Means | None, settings: TrialSettings
) -> pd.DataFrame:
    """MEANS of one measure; treatments without values stay, empty."""
    from scipy import stats

    records = []
    of = design.plots.drop_duplicates("treatment").set_index("treatment")["dose"]
    for t in design.treatments:
        values = used.loc[used["treatment"] == t, measure.name] if measure.name in used else pd.Series(dtype=float)
        line = {
            "measure": measure.name, "treatment": t, "dose": of[t], "plots": len(values),
            "mean": values.mean(), "sd": values.std(ddof=1) if len(values) > 1 else np.nan,
        }  # fmt: skip
        if means is not None and t in means.levels:
            weights = (np.array(means.levels) == t).astype(float)
            value, se, df = means.contrast(weights)
            bound = float(stats.t.ppf((1 + settings.level) / 2, df))
            ends = [tests.level_on_scale(means, v) for v in (value, value - bound * se, value + bound * se)]
            line |= dict(zip(("fitted", "low", "high"), ends, strict=True))
        records.append(line)
    return pd.DataFrame(records, columns=MEANS.names)


def yield_on_spacing(design: TrialPlots, level: float) -> YieldOnSpacing | None:
    """Slope of yield on spacing SD between plots, treatment and block taken out; None where plots do not suffice.

    What is left is how plots of one treatment, in one block, differ: no experiment on spacing, for nobody
    assigned the spacing.
    """
    from scipy import stats
    from statsmodels.regression.linear_model import OLS

    from standcam.stand import published

    plots = design.plots
    used = plots[plots["yield_kg_ha"].notna() & plots["sd_gap_cm"].notna()]
    if not len(used):
        return None
    parts = [pd.get_dummies(used["treatment"]).to_numpy(float)]
    if design.blocked:
        parts.append(pd.get_dummies(used["block"]).to_numpy(float)[:, 1:])
    sd = used["sd_gap_cm"].to_numpy(float)
    x = np.column_stack([*parts, sd - sd.mean()])
    rank = np.linalg.matrix_rank(x)
    df = len(used) - rank
    rest = sd - np.hstack(parts) @ np.linalg.lstsq(np.hstack(parts), sd, rcond=None)[0]
    if df < 2 or rest.std() < 1e-6 * max(sd.mean(), 1e-6):
        return None
    fit = OLS(used["yield_kg_ha"].to_numpy(float), x).fit()
    slope, se = float(fit.params[-1]), float(fit.bse[-1])
    bound = float(stats.t.ppf((1 + level) / 2, df))
    losses = [s.kg_ha_per_cm for s in published.studies() if s.effect in ("slope", "none")]
    return YieldOnSpacing(
        Estimate(slope, slope - bound * se, slope + bound * se, level),
        float(2 * stats.t.sf(abs(slope) / se, df)), float(df), len(used), (float(sd.min()), float(sd.max())),
        (min(losses), max(losses)), published.threshold_cm(),
    )  # fmt: skip


def comparisons_table(trial: Trial) -> pd.DataFrame:
    """COMPARISONS of all measures."""
    records = [
        {
            "measure": o.measure.name, "treatment": c.treatment, "against": c.against,
            "difference": c.difference.value, "low": c.difference.low, "high": c.difference.high,
            "level": c.difference.level, "difference_pct": c.percent.value, "low_pct": c.percent.low,
            "high_pct": c.percent.high, "p_value": c.p_value, "method": o.method, "df": c.df,
            "plots_needed": c.plots_needed if c.plots_needed is not None else pd.NA,
            "model": o.means.model if o.means else "",
        }
        for o in trial.outcomes for c in o.comparisons
    ]  # fmt: skip
    frame = pd.DataFrame(records, columns=COMPARISONS.names)
    return frame.astype({"plots_needed": "Int64"})


def trends_table(trial: Trial) -> pd.DataFrame:
    """TRENDS of all measures that have one."""
    records = [
        {
            "measure": o.measure.name, "dose": trial.design.dose, "slope": o.trend.slope.value,
            "low": o.trend.slope.low, "high": o.trend.slope.high, "p_value": o.trend.p_value,
            "misfit_p_value": o.trend.misfit_p, "curve_p_value": o.trend.curve_p, "curved": o.trend.curved,
        }
        for o in trial.outcomes if o.trend is not None
    ]  # fmt: skip
    return pd.DataFrame(records, columns=TRENDS.names).astype({"curved": "bool"})


def means_table(trial: Trial) -> pd.DataFrame:
    """MEANS of all measures."""
    return pd.concat([o.table for o in trial.outcomes], ignore_index=True)
