"""All rows together, worked out once for screen, page and workbook.

Numbers over all rows take the gaps of all of them at once. They are worked out before anything is drawn: what drawing
loads stays in memory, and gaps would come on top of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standcam import flags
from standcam.aside import Lines
from standcam.report import wording
from standcam.report.wording import plural
from standcam.settings import Settings
from standcam.spacing.spacings import Spacings

if TYPE_CHECKING:
    from standcam.estimate import Estimate
    from standcam.stand.population import Overall

FEW_UNITS = 5
"""Fewer rows or plots than this give ranges that are wide for their sake alone."""


@dataclass(frozen=True)
class AllRows:
    """Numbers over all rows that are kept, and the sentences that tell them."""

    overall: Overall | None
    """None without rows."""
    rows: int
    """How many."""
    plants: int
    length_cm: float
    """[cm]"""
    per_ha: float
    """Of all rows with a length, pooled; NaN without a row width. [1/ha]"""
    gaps: int
    """Closed ones."""
    singles_pct: float
    """Share of spacings; NaN where none has a class. [%]"""
    totals: str
    """The line over all rows."""
    spacing: tuple[str, ...]
    """How sure it is, and what it does not show."""

    @staticmethod
    def of(kept: pd.DataFrame, gaps: pd.DataFrame | Lines, settings: Settings, source: str) -> AllRows:
        """Of these rows.

        Parameters
        ----------
        kept : DataFrame
            ROWS that are not left out.
        gaps : DataFrame or Lines
            GAPS; those of other rows are passed over.
        settings : Settings
        source : str
            What an input is: photo, tape file or strip.
        """
        from standcam.stand.population import overall

        spacings = Spacings.of(kept, gaps)
        numbers = overall(kept, spacings, settings.statistics) if len(kept) else None
        return AllRows(
            numbers,
            len(kept),
            int(kept["plants"].sum()),
            float(kept["row_length_cm"].sum()),
            pooled_per_ha(kept),
            len(spacings),
            spacings.singles_pct,
            totals(kept, spacings, settings.output.units, source),
            () if numbers is None else tuple(spacing_lines(kept, spacings, settings, numbers)),
        )


def totals(rows: pd.DataFrame, spacings: Spacings, units: str, source: str = "photo") -> str:
    """One line over all rows; ratios are taken of sums, so that long rows weigh more."""
    length = rows["row_length_cm"]
    gap, classed = spacings.in_cm, spacings.classed
    parts = [
        f"All: {plural(rows['photo'].nunique(), source)}, {plural(len(rows), 'row')}",
        f"{plural(int(rows['plants'].sum()), 'plant')} on "
        f"{wording.row_length(length[length.notna()].sum(), units)} of row",
    ]
    if len(gap):
        parts.append(f"mean gap {wording.spacing(gap.mean(), units)}")
    if len(gap) > 1 and gap.mean() > 0:
        parts.append(f"CV {wording.percent(100 * gap.std(ddof=1) / gap.mean())}")
    if len(classed):
        doubles, singles = (classed == 0).mean(), (classed == 1).mean()
        parts.append(
            f"doubles {wording.percent(100 * doubles)}, singles {wording.percent(100 * singles)}, "
            f"skips {wording.percent(100 * (1 - doubles - singles))}"
        )
    per_ha = pooled_per_ha(rows)
    if per_ha == per_ha:
        parts.append(f"{wording.population(per_ha, units)}, {wording.on_small_area(per_ha, units)}")
    return "; ".join(parts) + "."


def pooled_per_ha(rows: pd.DataFrame) -> float:
    """Plants on all measured rows over their area; NaN without a row width. [1/ha]"""
    measured = _measured(rows)
    area_cm2 = float((measured["row_length_cm"] * measured["row_width_cm"]).sum(skipna=False))
    return float(measured["plants"].sum()) / area_cm2 * 1e8 if area_cm2 > 0 else float("nan")


def _measured(rows: pd.DataFrame) -> pd.DataFrame:
    """Plants, length and width of rows with a length; all columns of long tables would be a copy of them."""
    return rows.loc[rows["row_length_cm"].notna(), ["plants", "row_length_cm", "row_width_cm"]]


def spacing_lines(
    rows: pd.DataFrame, spacings: Spacings, settings: Settings, all_rows: Overall | None = None
) -> list[str]:
    """How sure the numbers over all rows are, and what they do not show by themselves."""
    from standcam.stand.population import overall

    if not len(rows):
        return []
    all_rows = all_rows or overall(rows, spacings, settings.statistics)
    lines = [range_line(all_rows, settings), *emergence_lines(all_rows, rows, settings)]
    if len(spacings) > 1:
        lines += [gaps_line(spacings.in_cm, rows, settings)]
    if len(spacings.classed):
        lines += [forms_line(spacings.classed)]
    return [line for line in lines if line]


def range_line(all_rows: Overall, settings: Settings) -> str:
    """The intervals over all rows, and what they rest on."""
    us, level = settings.output.units, f"{100 * settings.statistics.level:g} %"
    people = wording.span(*_ends(all_rows.plants_per_ha), lambda v: wording.population(v, us))
    spans = (
        ("mean gap", wording.span(*_ends(all_rows.mean_gap_cm), lambda v: wording.spacing(v, us))),
        ("CV", wording.span(*_ends(all_rows.cv_pct), wording.percent)),
        ("doubles", wording.span(*_ends(all_rows.multiples_pct), wording.percent)),
        ("skips", wording.span(*_ends(all_rows.misses_pct), wording.percent)),
    )
    spacing = "; ".join(f"{name} {span}" for name, span in spans if span != wording.NOTHING)
    parts: dict[str, list[str]] = {}
    for words, unit, n in (
        (people, all_rows.unit, all_rows.units),
        (spacing, all_rows.spacing_unit, all_rows.spacing_units),
    ):
        if words and words != wording.NOTHING:
            base = f"{n} {unit} as the units" if unit != "gaps" else f"{n} gaps of these rows alone"
            parts.setdefault(base, []).append(words)
    if not parts:
        return "Range: none can be given from so few gaps and rows; measure more rows."
    line = ". ".join(f"Range ({level}, {base}): {'; '.join(words)}" for base, words in parts.items())
    if "gaps" in (all_rows.unit, all_rows.spacing_unit) or all_rows.units < FEW_UNITS:
        few = "plots" if all_rows.unit == "plots" else "rows"
        line += f". So few {few} tell little of the others; measure more"
    return f"{line}."


def emergence_lines(all_rows: Overall, rows: pd.DataFrame, settings: Settings) -> list[str]:
    """Plants out of seeds, where rate or spacing were given."""
    from standcam.stand.population import emergence

    sums = _measured(rows)[["plants", "row_length_cm"]].sum().to_numpy(float)
    of_seeds, of_viable = (float(e[0]) for e in emergence(sums[:1], sums[1:], settings.spacing))
    if of_seeds != of_seeds:
        return []
    line = f"Emergence: {wording.percent(of_seeds)}"
    density = all_rows.plants_per_ha
    if density.value > 0 and density.low == density.low:
        factor = of_seeds / density.value
        line += f" ({wording.span(density.low * factor, density.high * factor, wording.percent)})"
    by_rate = settings.spacing.seeding_rate_per_ha is not None and settings.spacing.row_width_cm is not None
    line += f" of the seeds by the {'seeding rate' if by_rate else 'spacing'} given, dropped or not"
    if of_viable == of_viable:
        line += f"; {wording.percent(of_viable)} of the viable ones"
    return [f"{line}."]


def gaps_line(gap: pd.Series, rows: pd.DataFrame, settings: Settings) -> str:
    """Quartiles, nearness to the theoretical spacing, and the spread with and without the error of positions."""
    us = settings.output.units
    q1, median, q3 = gap.quantile([0.25, 0.5, 0.75])
    parts = [
        f"median {wording.spacing(median, us)}, middle half {wording.span(q1, q3, lambda v: wording.spacing(v, us))}"
    ]
    near = rows["near_nominal_pct"].notna()
    if near.any():
        count = (rows["plants"] - 1)[near]
        share = float((rows["near_nominal_pct"][near] * count).sum() / count.sum())
        parts.append(
            f"{wording.percent(share)} within {wording.spacing(settings.spacing.near_nominal_cm, us)} of theoretical"
        )
    return f"Gaps: {'; '.join([*parts, _spread(gap, rows, us)])}."


def _spread(gap: pd.Series, rows: pd.DataFrame, us: str) -> str:
    sd = float(gap.std(ddof=1))
    told = f"SD {wording.spacing(sd, us)} as seen"
    columns = ["plants", "sd_gap_cm", "sd_gap_corrected_cm", "flags"]
    spread = rows.loc[rows["sd_gap_cm"].notna(), columns]
    open_rows = spread[spread["sd_gap_corrected_cm"].isna()]
    if len(open_rows) == 0 and len(spread):
        # what each row had taken out, weighted by its gaps; the pooled formula differs from it by less than 1 in gaps
        weight = spread["plants"] - 1
        added = ((spread["sd_gap_cm"] ** 2 - spread["sd_gap_corrected_cm"] ** 2) * weight).sum() / weight.sum()
        if added < sd**2:
            less = float((sd**2 - added) ** 0.5)
            cv = f" (CV {wording.percent(100 * less / gap.mean())})" if gap.mean() > 0 else ""
            return f"{told}, {wording.spacing(less, us)}{cv} without the error of positions"
    drowned = sum(bool(flags.parse(f) & flags.bit("error_drowns_sd")) for f in open_rows["flags"])
    if drowned:
        return f"{told}; in {plural(drowned, 'row')} the error of positions is as large as that and was not taken out"
    return f"{told}; the error of positions is not known and was not taken out"


def forms_line(classed: np.ndarray) -> str:
    """Which form of the indices is shown, and the other one."""
    from standcam.spacing import metrics

    each = np.bincount(classed, minlength=len(metrics.KINDS))
    other = metrics.interval_shares(each)
    missing = int(metrics.interval_counts(each)[0])
    line = f"Doubles, singles and skips are shown as {metrics.FORM_SPACINGS}. As {metrics.FORM_INTERVALS}: "
    if other.misses_pct != other.misses_pct:
        return f"{line}not defined, for doubles are more than half of the spacings."
    return (
        f"{line}doubles {wording.percent(float(other.multiples_pct))}, "
        f"singles {wording.percent(float(other.quality_of_feed_pct))}, "
        f"skips {wording.percent(float(other.misses_pct))}; "
        f"{f'at least {missing}' if missing else 'no'} {'seed' if missing == 1 else 'seeds'} missing."
    )


def _ends(estimate: Estimate) -> tuple[float, float]:
    return estimate.low, estimate.high
