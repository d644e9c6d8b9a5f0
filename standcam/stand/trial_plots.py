"""From measured rows to the plots of a trial: which rows make a plot, its values, and what the design hides.

A plot is the smallest piece of field that was given a treatment by itself, such as a strip of one planter
pass. Rows, photos and plants in it are samples of the plot, never replicates of the treatment.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.errors import PlotMapMismatch, TooFewData
from standcam.settings import SpacingSettings
from standcam.spacing import metrics
from standcam.stand import population
from standcam.tables import GAPS, PLOTS, ROWS
from standcam.units import M2_PER_HA, inches, per_acre

_KEYS = ["photo", "plot", "row"]
_REMEDY = "Give a plot map with plot and treatment (--plot-map), or count a strip with outlines that have treatments."
_ROW_UNIT = ("row_unit", "row_units")


@dataclass(frozen=True)
class Measure:
    """One thing that treatments are compared in."""

    name: str
    """Column of the tables."""
    noun: str
    """What it is called in a sentence."""
    more: str
    less: str
    unit: str
    us_unit: str
    us_factor: float = 1.0
    decimals: int = 1
    counts: str = ""
    """Columns of events and trials, where it is a share of counted gaps."""


MEASURES: dict[str, Measure] = {
    m.name: m
    for m in (
        Measure("sd_gap_cm", "spacing SD", "more", "less", "cm", "in", inches(1.0), 2),
        Measure("misses_pct", "skips", "more", "fewer", "points", "points", counts="skips"),
        Measure("multiples_pct", "doubles", "more", "fewer", "points", "points", counts="doubles"),
        Measure("quality_of_feed_pct", "singles", "more", "fewer", "points", "points", counts="singles"),
        Measure("plants_per_ha", "plants", "more", "fewer", "/ha", "/acre", per_acre(1.0), 0),
        Measure("mean_gap_cm", "mean gap", "more", "less", "cm", "in", inches(1.0), 2),
        Measure("cv_pct", "CV of spacing", "more", "less", "points", "points"),
        Measure("precision_pct", "precision (scatter of singles)", "more", "less", "points", "points"),
        Measure("emergence_pct", "emergence", "more", "less", "points", "points"),
        Measure("yield_kg_ha", "yield", "more", "less", "kg/ha", "bu/ac", float("nan"), 0),
    )
}
"""Every measure a trial can be judged by, the usual first. Yield per acre depends on the crop's bushel."""


def measure_of(name: str) -> Measure:
    """The measure of a column, known here or not."""
    units = {c.name: c.unit.replace("%", "points") for c in ROWS.columns}
    unit = units.get(name, "")
    return MEASURES.get(name) or Measure(name, name, "more", "less", unit, unit, decimals=2)


DEFAULT_MEASURES = ("sd_gap_cm", "misses_pct", "multiples_pct", "plants_per_ha")


@dataclass(frozen=True)
class TrialPlots:
    """Plots of a trial."""

    plots: pd.DataFrame
    """One line a plot: plot, treatment, block, dose, kind, measured_plot (its name in the results), rows,
    row_length_cm, plants, gaps, doubles, singles, skips and the measures."""
    rows: pd.DataFrame
    """Measured rows with `at`, the place of their plot."""
    treatments: tuple[str, ...]
    """In order of the dose, else of the alphabet: the field's order is a lot."""
    blocked: bool
    dose: str
    """Column of the dose, or empty."""
    kinds: tuple[str, ...]
    """Treatment before it was crossed with the dose, one a treatment; empty where it was not."""
    notes: tuple[str, ...]


def trial_plots(
    rows: pd.DataFrame,
    gaps: pd.DataFrame,
    *,
    treatment: str = "treatment",
    plots_are: str = "",
    dose: str = "",
    spacing: SpacingSettings | None = None,
    more: Sequence[str] = (),
) -> TrialPlots:
    """Gather rows into the plots that got the treatments.

    Parameters
    ----------
    rows : DataFrame
        ROWS with the columns of the plot map behind.
    gaps : DataFrame
        GAPS of the same run.
    treatment : str
        Column that holds the treatment.
    plots_are : str
        Column that names the plots, where several photos or plots of the results lie in one.
    dose : str
        Column of a number the response to which is asked, such as speed_kmh; it stands for the treatment where
        there is none, and is crossed with it where a treatment occurs at several doses.
    spacing : SpacingSettings, optional
        What the planter was set to, for emergence. A column seeding_rate_per_ha of the plot map wins.
    more : sequence of str
        Further columns of numbers to judge by: a plot's value is the mean of its rows.

    Raises
    ------
    PlotMapMismatch
        No treatments or no numbers as doses, a plot that lies in two blocks, or has none where others do.
    TooFewData
        No rows at all.
    """
    notes: list[str] = []
    rows = rows.reset_index(drop=True)
    if not len(rows):
        raise TooFewData("The results hold no measured rows.", "Look at problems.csv in the results folder.")
    if treatment not in rows:
        if not dose or treatment != "treatment":
            raise _no_column(rows, treatment)
        treatment = dose
    unit = plots_are or "plot"
    for name in (unit, dose):
        if name and name not in rows:
            raise _no_column(rows, name)
    what = _text(rows[treatment])
    lost = what == ""
    if lost.all():
        raise PlotMapMismatch(f"No row has a {treatment}.", _REMEDY)
    if lost.any():
        notes.append(f"{lost.sum()} of {len(rows)} rows have no {treatment} and are left out.")
        rows, what = rows[~lost].reset_index(drop=True), what[~lost].reset_index(drop=True)
    block = _text(rows["block"]) if "block" in rows else pd.Series("", index=rows.index)
    if (block != "").any() and (block == "").any():
        raise PlotMapMismatch(
            f"Plots without a block, where others have one: {_some(_text(rows[unit])[block == ''])}.",
            "Fill the column block for all plots, or for none.",
        )
    dosed = _dose(rows, dose)
    crossed = bool(dose) and treatment != dose and _varies(dosed, what).any()
    kind = what
    if crossed:
        what = kind + " at " + dosed.map("{:g}".format)
        notes.append(f"{treatment} and {dose} are crossed: every combination counts as a treatment.")
    name = _text(rows[unit])
    name, block = _units(rows, name, what, block, plots_are, notes)

    key = pd.DataFrame({"plot": name, "treatment": what, "block": block})
    at, _ = pd.factorize(pd.MultiIndex.from_frame(key))
    rows = rows.assign(at=at)
    key = key.assign(dose=dosed, kind=kind, measured_plot=_text(rows[unit])).groupby(at, sort=True).agg(
        plot=("plot", "first"), treatment=("treatment", "first"), block=("block", "first"),
        dose=("dose", "first"), kind=("kind", "first"),
        measured_plot=("measured_plot", "first"),
    )  # fmt: skip
    plots = pd.concat([key, _values(rows, gaps, len(key), spacing or SpacingSettings())], axis=1)
    for extra in more:
        if extra not in rows:
            raise _no_column(rows, extra)
        if not pd.api.types.is_numeric_dtype(rows[extra]):
            raise PlotMapMismatch(f"Column {extra!r} holds no numbers, or not only.", "Mend it, or leave it out.")
        plots[extra] = rows.groupby("at")[extra].mean().to_numpy(float)
    order = key.drop_duplicates("treatment")
    order = order.sort_values("treatment", key=lambda c: c.map(_natural), kind="stable")
    if dose:
        order = order.sort_values("dose", kind="stable")
    treatments = tuple(order["treatment"])
    blocked = bool((block != "").any())
    notes += _warnings(rows, plots, treatment, dose, blocked)
    return TrialPlots(
        plots.reset_index(drop=True), rows, treatments, blocked, dose,
        tuple(order["kind"]) if crossed else (), tuple(notes),
    )  # fmt: skip


def _no_column(rows: pd.DataFrame, name: str) -> PlotMapMismatch:
    known = [c for c in rows if c not in ROWS.names]
    return PlotMapMismatch(
        f"No column {name!r} is known of the rows" + (f" (known: {', '.join(known)})." if known else "."),
        "Give a plot map with plot, treatment and block (--plot-map), or the same columns in the tape file.",
    )


def _text(column: pd.Series) -> pd.Series:
    if pd.api.types.is_numeric_dtype(column):
        return column.map(lambda v: "" if pd.isna(v) else f"{v:g}").astype(object)
    return column.map(lambda v: "" if pd.isna(v) else str(v).strip()).astype(object)


def _dose(rows: pd.DataFrame, dose: str) -> pd.Series:
    if not dose:
        return pd.Series(np.nan, index=rows.index)
    numbers = pd.to_numeric(rows[dose], errors="coerce")
    if numbers.isna().any():
        raise PlotMapMismatch(
            f"{dose} is no number in plots {_some(_text(rows['plot'])[numbers.isna()])}.",
            "A dose response needs a number in every plot.",
        )
    return numbers.astype(float)


def _units(
    rows: pd.DataFrame, name: pd.Series, what: pd.Series, block: pd.Series, plots_are: str, notes: list[str]
) -> tuple[pd.Series, pd.Series]:
    """Names of the plots, so that equal ones are one plot, and blocks."""
    recurs = _varies(block, name)
    if recurs.any():
        several = list(recurs.index[recurs])
        if not plots_are:
            raise PlotMapMismatch(
                f"Plots that lie in several blocks: {_some(several)}.", "Name plots so that each is one."
            )
        notes.append(f"Plot names recur in several blocks ({_some(several)}): taken as one plot in each block.")
        name = block + "/" + name
    split = _varies(what, name)
    if split.any():
        n = int(split.sum())
        notes.append(
            f"{n} {'plot holds' if n == 1 else 'plots hold'} rows of several treatments (a planter set up by halves): "
            "the rows of one treatment in one of them are taken as one plot"
            + (", and what they share as a block." if (block == "").all() and split.all() else ".")
        )
        if (block == "").all() and split.all():
            block = name
        name = (name + " " + what).where(name.map(split), name)
    stem = rows["photo"].map(lambda p: str(p).rsplit("/", 1)[-1].rsplit(".", 1)[0])
    by_photo = not plots_are and (_text(rows["plot"]) == stem).all() and len(set(rows["photo"])) > 1
    if by_photo:
        photos = rows["photo"].groupby([what, block]).nunique()
        if (block != "").all() and (photos > 1).any():
            notes.append(
                "Photos carry no plot names: those of one treatment in one block are taken as samples of one plot. "
                "If they lie in plots of their own, name these in the plot map (--plots-are COLUMN)."
            )
            name = block + "/" + what
        elif (block == "").all():
            notes.append(
                "Photos carry no plot names, so that each counts as a plot of its own. That is right only if each lies "
                "in another strip; photos of one strip are one plot: name it in the plot map (--plots-are COLUMN)."
            )
    return name, block


def _values(rows: pd.DataFrame, gaps: pd.DataFrame, n: int, spacing: SpacingSettings) -> pd.DataFrame:
    """Measures of each plot over all its gaps, as in the table PLOTS."""
    at = rows["at"].to_numpy()
    plot_of = rows.set_index(_KEYS)["at"]
    closed = gaps[gaps["kind"] != metrics.OPEN]
    known = pd.MultiIndex.from_frame(closed[_KEYS])
    place = plot_of.reindex(known).to_numpy(float)
    closed, group = closed[~np.isnan(place)], place[~np.isnan(place)].astype(int)
    gap = closed["gap_cm"].to_numpy(float)
    nominal = rows.set_index(_KEYS)["nominal_spacing_cm"].reindex(pd.MultiIndex.from_frame(closed[_KEYS]))
    nominal_cm = pd.to_numeric(nominal, errors="coerce").to_numpy(float)
    # classed anew: a plot map may give each plot its own theoretical spacing
    code = metrics.classify(gap / nominal_cm)
    classed = code >= 0
    width = len(metrics.KINDS)
    counts = np.bincount(group[classed] * width + code[classed], minlength=n * width).reshape(n, width)
    shares = metrics.spacing_shares(counts)
    mean, sd = metrics.mean_sd(gap, group, n)
    single = code == metrics.KINDS.index("single")
    length = rows["row_length_cm"].to_numpy(float)
    area = length * rows["row_width_cm"].to_numpy(float)
    measured = np.isfinite(area)
    plants = rows["plants"].to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        per_ha = np.bincount(at[measured], plants[measured], n) / np.bincount(at[measured], area[measured], n)
        per_ha *= M2_PER_HA * 1e4
        cv = 100 * np.where(mean > 0, sd / mean, np.nan)
    long = np.isfinite(length)
    plot_length = np.bincount(at[long], length[long], n)
    emergence = population.emergence(np.bincount(at[long], plants[long], n), plot_length, spacing)[0]
    if "seeding_rate_per_ha" in rows:
        emergence = 100 * per_ha / rows.groupby("at")["seeding_rate_per_ha"].first().to_numpy(float)
    return pd.DataFrame(
        {
            "rows": np.bincount(at, minlength=n),
            "row_length_cm": plot_length,
            "plants": np.bincount(at, plants, n).astype(int),
            "gaps": np.bincount(group, minlength=n),
            "doubles": counts[:, 0],
            "singles": counts[:, 1],
            "skips": counts[:, 2:].sum(axis=1),
            "mean_gap_cm": mean,
            "sd_gap_cm": sd,
            "cv_pct": cv,
            "multiples_pct": shares.multiples_pct,
            "quality_of_feed_pct": shares.quality_of_feed_pct,
            "misses_pct": shares.misses_pct,
            "precision_pct": 100 * metrics.mean_sd((gap / nominal_cm)[single], group[single], n)[1],
            "plants_per_ha": per_ha,
            "emergence_pct": emergence,
        }
    )


def _warnings(rows: pd.DataFrame, plots: pd.DataFrame, treatment: str, dose: str, blocked: bool) -> list[str]:
    """What the design itself hides: factors that go with the treatment, places that never change."""
    notes = []
    what = plots["treatment"].to_numpy()[rows["at"].to_numpy()]
    replicated = len(plots) > len(set(what))
    own = {*ROWS.names, *PLOTS.names, *GAPS.names, treatment, dose, "block", "at", "seeding_rate_per_ha"}
    for name in [c for c in rows if c not in own] if replicated else []:
        value = _text(rows[name])
        if value.nunique() < 2 or _varies(value, what).any() or (value == "").any():
            continue
        if name in _ROW_UNIT:
            units = value.groupby(what).first()
            told = "; ".join(f"{t} on {u}" for t, u in units.items())
            notes.append(
                f"Treatment and row unit go together ({told}): a difference between row units looks the same as one "
                "between treatments. Swap sides in half of the blocks."
            )
        elif pd.api.types.is_numeric_dtype(rows[name]):
            notes.append(
                f"{name} changes with the treatment and never within one; --dose {name} shows the response to it. "
                f"If {name} is not what you meant to test, its effect cannot be told from the treatment's."
            )
        else:
            notes.append(
                f"{name} goes with the treatment in every plot: its effect cannot be told from the treatment's."
            )
    if "row_unit" in rows:
        unit = _text(rows["row_unit"])
        seen = unit[unit != ""].groupby(what[unit != ""]).agg(lambda u: frozenset(u))
        apart = len(seen) > 1 and sum(len(s) for s in seen) == len(frozenset().union(*seen))
        if apart and replicated and _varies(unit, what).any():
            notes.append(
                "No row unit carried more than one treatment: a difference between row units looks the same as one "
                "between treatments. Swap sides in half of the blocks."
            )
    if blocked and "strip" in rows and pd.api.types.is_numeric_dtype(rows["strip"]):
        first = rows.assign(what=what).drop_duplicates("at").sort_values("strip")
        orders = {tuple(part["what"]) for _, part in first.groupby("block")}
        blocks = first["block"].nunique()
        if len(orders) == 1 and blocks >= 3 and len(next(iter(orders))) >= 2:
            notes.append(
                f"All {blocks} blocks hold the treatments in the same order: not randomised, so that a trend across "
                "the field can pass for a difference."
            )
    few = plots[(plots["gaps"] > 0) & (plots["gaps"] < 30)]
    if len(few):
        notes.append(f"{len(few)} of {len(plots)} plots have fewer than 30 gaps: their shares and SD are coarse.")
    length = plots.loc[plots["row_length_cm"] > 0, "row_length_cm"]
    if len(length) and length.max() > 3 * length.min():
        notes.append("Measured length differs more than threefold between plots; each plot counts alike all the same.")
    return notes


def _varies(values: pd.Series, by: object) -> pd.Series:
    """Whether a column takes several values, for each value of another."""
    return values.groupby(by).nunique().gt(1)


def _natural(text: str) -> tuple:
    """Sorts "disc 2" before "disc 10"."""
    return tuple((int(p), "") if p.isdigit() else (-1, p.casefold()) for p in re.split(r"(\d+)", text))


def _some(names: Sequence[object] | pd.Series, most: int = 6) -> str:
    once = list(dict.fromkeys(str(n) for n in names))
    return ", ".join(once[:most]) + (f" and {len(once) - most} more" if len(once) > most else "")
