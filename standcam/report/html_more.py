"""Sections of the report page that only some results have: photos joined into rows, and emergence over visits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from standcam.report import wording
from standcam.report.wording import plural

if TYPE_CHECKING:
    from standcam.report.html_run import Run

SHOWN = 8
"""Lines before a table is folded."""
FOLDED = 200
REFUSED = 8
"""Ties not made that are told of; seams.csv has all."""


def chains_part(run: Run) -> dict[str, Any] | None:
    """What was joined and how well the seams agree, those to look at first; None where no two photos share anything."""
    seams, chains = run.seams, run.chains
    if seams is None or not len(seams):
        return None
    us = run.settings.output.units
    joined = seams[seams["joined"].astype(bool)]
    refused = seams[~seams["joined"].astype(bool)]
    limit = run.settings.chain.seam_mm
    said = []
    if chains is not None and len(chains):
        rows = chains.drop_duplicates(["chain", "plot", "chain_row"])
        said.append(
            f"{plural(len(chains), 'row')} of photos were joined into {plural(len(rows), 'row')} by "
            f"{plural(len(joined), 'seam')}; each plant counts once."
        )
    if not len(joined):
        said.append("No photos were joined.")
    off = joined["disagreement_mm"].dropna()
    if len(off):
        over = int((off > limit).sum())
        tail = f"{over} above" if over else "none above"
        said.append(
            f"Plants lie off from where the boards have them by {_mm(off.median(), us)} in the middle and "
            f"{_mm(off.max(), us)} at most; {tail} {_mm(limit, us)}."
        )
    remarked = joined["remark"].fillna("").astype(str) != ""
    order = joined.assign(_r=remarked, _off=joined["disagreement_mm"].fillna(-1), _one=joined["plants_one"])
    order = order.sort_values(["_r", "_off", "_one"], ascending=False, kind="stable")
    lines = [
        {
            "seam": f"{_named(r.photo, r.row)}, {_named(r.next_photo, r.next_row)}",
            "by": str(r.by),
            "shared": wording.spacing(r.overlap_cm, us),
            "both": int(r.plants_both),
            "one": int(r.plants_one),
            "off": _mm(r.disagreement_mm, us),
            "remark": str(r.remark or ""),
        }
        for r in order.head(SHOWN + FOLDED).itertuples()
    ]
    told = [
        f"{_named(r.photo, r.row)} and {_named(r.next_photo, r.next_row)}, tied by {r.by}: {r.remark}."
        for r in refused.head(REFUSED).itertuples()
    ]
    return {
        "said": said,
        "lines": lines[:SHOWN],
        "folded": lines[SHOWN:],
        "more": max(0, len(joined) - SHOWN - FOLDED),
        "refused": told,
        "refused_more": max(0, len(refused) - REFUSED),
    }


def visits_part(run: Run) -> dict[str, Any] | None:
    """When plants came up, plot by plot, the slowest first; None where no visits lie with the results."""
    table, days = run.emergence, run.emergence_days
    if table is None or not len(table):
        return None
    from markupsafe import Markup

    from standcam.report import chart
    from standcam.report.visits_report import CAUTIONS, emergence_figure

    since = "after planting" if (table["days_since"] == "planting").all() else "after the first visit"
    # a plot of which half were up before anybody looked has only the day by which they were
    middle = table["t50_days"].fillna(table["t50_by_days"])
    order = table.assign(_middle=middle).sort_values("_middle", ascending=False, kind="stable", na_position="first")
    lines = [
        {
            "plot": str(r.plot),
            "plants": int(r.plants),
            "half": _half(r),
            "range": wording.span(r.t50_days_low, r.t50_days_high, _days),
            "spread": _days(r.spread_days),
            "allowed": _allowed(r),
            "late": "-" if pd.isna(r.late_plants) else str(int(r.late_plants)),
            "lost": int(r.lost),
            "filled": wording.number(r.filled_later),
            "empty": wording.number(r.empty_last),
        }
        for r in order.head(SHOWN + FOLDED).itertuples()
    ]
    figure = ""
    visited = []
    if days is not None and len(days):
        visited = [_days(d) for d in sorted(set(days["days"].dropna().tolist()))]
        label = "Share of the plants that were up, by days"
        figure = chart.svg(emergence_figure(table, days, 4.6), "up", label)
    places = table["empty_last"].notna().any()
    said = []
    if places:
        first, filled, last = (float(table[k].sum()) for k in ("empty_first", "filled_later", "empty_last"))
        said.append(
            f"Of {first:.0f} seed places that were empty on the first visit, some {filled:.0f} had a plant later: late "
            f"emergence, no skip. {plural(round(last), 'place')} {'stays' if round(last) == 1 else 'stay'} empty: "
            "skipped, or seed that failed; dig there."
        )
    return {
        "since": since,
        "days": ", ".join(visited),
        "said": said,
        "figure": Markup(figure),
        "lines": lines[:SHOWN],
        "folded": lines[SHOWN:],
        "more": max(0, len(table) - SHOWN - FOLDED),
        "places": places,
        "caution": CAUTIONS[0],
    }


def _named(photo: object, row: object) -> str:
    return str(photo) if row == 1 else f"{photo} row {row}"


def _mm(mm: float, us: str) -> str:
    if us == "us":
        return wording.spacing(mm / 10, us)
    return wording.NOTHING if math.isnan(mm) else f"{mm:.0f} mm"


def _days(value: float) -> str:
    return wording.NOTHING if math.isnan(value) else f"{value:.1f}".removesuffix(".0")


def _half(r: Any) -> str:
    if not math.isnan(r.t50_days):
        return _days(r.t50_days)
    return wording.NOTHING if math.isnan(r.t50_by_days) else f"by {_days(r.t50_by_days)}"


def _allowed(r: Any) -> str:
    if math.isnan(r.spread_days_least):
        return ""
    most = r.spread_days_most
    least = _days(r.spread_days_least)
    return f"{least} or more" if math.isnan(most) else f"{least} to {_days(most)}"


def treatments_told(plots: Sequence[str], name: str) -> str:
    """Where treatments are compared; empty where there are not two."""
    known = [t for t in dict.fromkeys(plots) if t]
    if len(known) < 2:
        return ""
    shown = ", ".join(known[:6]) + (f" and {len(known) - 6} more" if len(known) > 6 else "")
    return (
        f"Treatments: {shown}. Differences between plots hold those of the field too; to compare the treatments, "
        f"with ranges: standcam trial {name}"
    )
