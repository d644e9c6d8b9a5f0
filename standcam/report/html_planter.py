"""What the planter did, on the report page: spacings with the fit over them, and the row units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from standcam import tables
from standcam.report import screen, wording
from standcam.report.html_run import KEYS, LINES, Run

if TYPE_CHECKING:
    from standcam.planter.diagnosis import Diagnosis

MOST_GAPS = 30_000
"""Of more, the planter's part of the page takes rows drawn by lot."""
GAPS_FOR_FIT = 1_500
"""The fit of all rows together takes some milliseconds a gap; so many give shares to about a point."""


def diagnosis(kept: pd.DataFrame, spacings: int, run: Run) -> tuple[Diagnosis | None, list[str], pd.DataFrame]:
    """What the planter did, None where it cannot be told; notes; kinds and lengths of the gaps that it was told from.

    Takes the rows kept, and how many spacings they have.
    """
    from standcam.errors import StandcamError
    from standcam.planter.diagnosis import diagnose

    notes: list[str] = []
    nothing = tables.empty(tables.GAPS)[["kind", "gap_cm"]]
    if not spacings or not len(kept):
        return None, ["There is no spacing between two plants in these results."], nothing
    if spacings > MOST_GAPS:
        keys = kept[KEYS].drop_duplicates()
        seed = run.settings.statistics.seed
        drawn = keys.sample(max(1, round(MOST_GAPS / spacings * len(keys))), random_state=seed)
        notes.append(
            f"What the planter did is told from {len(drawn)} of {len(keys)} rows, drawn by lot; standcam planter takes "
            "all."
        )
        kept = kept[pd.MultiIndex.from_frame(kept[KEYS]).isin(pd.MultiIndex.from_frame(drawn))]
    gaps, plants = run.gaps.of_rows(kept), run.plants.of_rows(kept)
    try:
        found = diagnose(gaps, kept, run.settings, plants=plants, fit_gaps=GAPS_FOR_FIT)
        return found, notes, gaps[["kind", "gap_cm"]].copy()
    except StandcamError as error:
        return None, [*notes, error.reason], nothing


def spacing_part(d: Diagnosis | None, gaps: pd.DataFrame, us: str) -> dict[str, Any]:
    """Histogram of the spacings, and what the fit says."""
    from markupsafe import Markup

    from standcam.report import chart, planter_report

    if d is None:
        return {"figure": "", "lines": []}
    figure = planter_report.spacing_figure(d.fit, gaps, us == "us", width_in=4.6)
    label = "Histogram of the spacings with the fitted planter over it"
    return {"figure": Markup(chart.svg(figure, "gap", label)), "lines": planter_report.answer(d, us == "us")}


def units_part(d: Diagnosis | None, us: str) -> dict[str, Any] | None:
    """Row units side by side; None where they are not known."""
    if d is None or d.units is None or not len(d.units.table):
        return None
    from standcam.planter.diagnosis import length, percent
    from standcam.report import planter_report

    table = d.units.table
    most = max(float(table["missing_pct"].max()), 1.0)
    lines = [
        {
            "unit": str(r.row_unit),
            "rows": r.rows,
            "missing": percent(planter_report.share_of(r, "missing")),
            "bar": 100 * r.missing_pct / most if math.isfinite(r.missing_pct) else 0,
            "doubles": percent(planter_report.share_of(r, "double")),
            "placement": length(planter_report.scatter_of(r), us == "us"),
            "cv": wording.percent(r.cv_pct),
            "verdict": r.verdict,
        }
        for r in table.itertuples()
    ]
    return {
        "sentences": planter_report.unit_sentences(d, us == "us"),
        "lines": lines[: 10 * LINES],
        "limits": [*d.units.power, *d.units.notes],
    }


def unit_note(d: Diagnosis | None, run: Run) -> str:
    """Why row units are not compared; empty where they are."""
    if d is not None and d.units is not None and len(d.units.table):
        return ""
    if run.source == "strip":
        if screen.not_sought(run.rows):
            return "Row units cannot be compared without plants."
        if "row_unit" in run.rows and run.rows["row_unit"].fillna("").astype(str).str.strip().ne("").any():
            return "Row units are known, but these rows hold too few plants to compare them."
        return (
            "Row units are not known: row numbers count the rows of the strip or plot from one side. Tell how the "
            "planter drove and count again: standcam strip ... --planter-rows 8 --first-row 1 --first-heading N, with "
            "the numbers of your planter."
        )
    return (
        "Row units are not known: the row numbers of a photo or tape are places in it, not units of the planter. Name "
        "them in a plot map (column row_unit) and make the report anew: standcam report RESULTS --plot-map plots.csv."
    )
