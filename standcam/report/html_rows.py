"""Plots and rows of the report page: pictures, lists and the table."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from standcam import tables, trust
from standcam.aside import Lines
from standcam.report import screen, strips, wording
from standcam.report.html_run import KEYS, LINES, Run, some

RANKED = 12
"""Rows up to this number are all shown; of more, the worst and the best."""
WORST, BEST = 8, 4
FOLDED = 200
"""Strips that are folded away; further rows are in rows.csv."""
MAP_PX = 1_600
"""Longer side of the map of a strip: names of plots can still be read. [px]"""

_PLOT_COLUMNS = ["plot", "status", "plants", "plants_per_ha", "plants_per_ha_low", "plants_per_ha_high", "cv_pct",
                 "multiples_pct", "quality_of_feed_pct", "misses_pct", "trust"]  # fmt: skip
"""What the page tells of a plot."""


def map_uri(run: Run) -> str:
    """Map of a strip as data URI; empty where there is none."""
    import base64

    from standcam.report.html_photos import small_jpeg

    small = None if run.strip_map is None else small_jpeg(run.strip_map, MAP_PX)
    return "" if small is None else f"data:image/jpeg;base64,{base64.b64encode(small).decode('ascii')}"


def plots_part(run: Run, rows: pd.DataFrame, us: str) -> dict[str, Any]:
    """Plots, those with the fewest plants first, and their picture where their places are known."""
    from markupsafe import Markup

    from standcam.report import chart
    from standcam.report.html_more import treatments_told
    from standcam.report.plot_picture import places_of, plot_picture

    every = run.plots.only(_PLOT_COLUMNS)
    plots = every[every["status"] != trust.LEFT_OUT]
    lost = [str(p) for p in every.loc[every["status"] == trust.LEFT_OUT, "plot"]]
    places = places_of(rows, run.inputs) if len(plots) > 1 else None
    figure = plot_picture(places, plots, us) if places is not None else None
    drawn = ""
    if figure is not None and places is not None:
        how = {"grid": "in the field plan", "map": "on the map"}.get(places.kind, "by GPS")
        drawn = chart.svg(figure, "map", f"Plots {how}: population and share of singles")
    width = float(plots["plants_per_ha"].max()) if len(plots) else math.nan
    by_area = math.isfinite(width) and width > 0
    most = width if by_area else 100.0
    by = plots["plants_per_ha" if by_area else "quality_of_feed_pct"]
    order = by.sort_values(kind="stable", na_position="first").index
    treatment_of = _treatments(rows, plots["plot"].loc[order])
    lines = []
    for r in plots.loc[order[: 10 * LINES]].itertuples():
        value = r.plants_per_ha if by_area else r.quality_of_feed_pct
        lines.append(
            {
                "plot": str(r.plot),
                "treatment": treatment_of.get(str(r.plot), ""),
                "bar": 100 * value / most if math.isfinite(value) else 0,
                "population": wording.population(r.plants_per_ha, us, unit=False),
                "range": wording.span(
                    r.plants_per_ha_low, r.plants_per_ha_high, lambda v: wording.population(v, us, unit=False)
                ),
                "plants": wording.NOTHING if r.status == tables.NO_STEMS else r.plants,
                "cv": wording.percent(r.cv_pct),
                "doubles": wording.percent(r.multiples_pct),
                "skips": wording.percent(r.misses_pct),
                "trust": r.trust or "",
            }
        )
    return {
        "figure": Markup(drawn),
        "how": "" if places is None else places.kind,
        "by": "" if len(lines) < 2 else "Fewest plants per area first." if by_area else _by_singles(plots),
        "area": "acre" if us == "us" else "ha",
        "unnamed": _unnamed(run),
        "treatments": ""
        if screen.not_sought(rows)
        else treatments_told(list(treatment_of.values()), run.name or "RESULTS"),
        **some(lines, 12),
        "more": max(0, len(plots) - 10 * LINES),
        "lost": ", ".join(lost[:LINES]) + (f" and {len(lost) - LINES} more" if len(lost) > LINES else ""),
    }


def _by_singles(plots: pd.DataFrame) -> str:
    return "Fewest singles first." if plots["quality_of_feed_pct"].notna().any() else ""


def _treatments(rows: pd.DataFrame, plots: pd.Series) -> dict[str, str]:
    """Treatment of each plot, of plots that have but one."""
    if "treatment" not in rows:
        return {}
    text = rows["treatment"].fillna("").astype(str).str.strip()
    kinds = text.groupby(rows["plot"].astype(str)).unique()
    return {plot: kinds[plot][0] if len(kinds.get(plot, ())) == 1 else "" for plot in plots.astype(str)}


def _unnamed(run: Run) -> str:
    """What a plot is where none was named."""
    if run.source != "strip":
        return "Where no plots were named, each photo or file is one."
    return "No plots were given: the whole strip is one." if len(run.plots) == 1 else ""


def strips_part(rows: pd.DataFrame, gaps: Lines, plants: Lines, us: str) -> dict[str, Any]:
    """Rows drawn to one scale, the worst first."""
    from markupsafe import Markup

    drawable = (rows["row_length_cm"].notna() & (rows["row_length_cm"] > 0)).to_numpy(bool)
    told = rows.loc[drawable, [*KEYS, "plants", "status", "multiples_pct", "misses_pct", "cv_pct"]]
    faults = told["multiples_pct"].fillna(0) + told["misses_pct"].fillna(0)
    none = (told["plants"] == 0) & (told["status"] != tables.NO_STEMS)
    if screen.not_sought(rows):
        bare = pd.concat([p[p["kind"] == "bare"].groupby(KEYS)["gap_cm"].sum() for p in gaps.parts()])
        if len(bare):  # of rows in which no plant was sought
            faults = pd.Series([bare.get(tuple(k), 0.0) for k in told[KEYS].itertuples(index=False)], told.index)
    order = told.assign(_faults=faults.where(~none, 1e3), _cv=told["cv_pct"].fillna(0))
    order = order.sort_values(["_faults", "_cv"], ascending=False, kind="stable").index
    if len(order) <= RANKED:
        worst, best, rest = order, order[:0], order[:0]
    else:
        worst, best, rest = order[:WORST], order[-BEST:], order[WORST:-BEST]
    wanted = rows.loc[worst.append([best, rest[:FOLDED]])]
    nominal = rows["nominal_spacing_cm"][drawable].dropna()
    spacing = float(nominal.iloc[0]) if len(nominal) else float(rows["median_gap_cm"][drawable].median())
    scale = strips.common_scale(wanted["row_length_cm"].tolist(), spacing)
    plants_of, gaps_of_rows = plants.of_rows(wanted), gaps.of_rows(wanted)
    crop = plants_of[plants_of["is_crop"].astype(bool)]
    place_of = {k: g["position_cm"].to_numpy(float) for k, g in crop.groupby(KEYS, sort=False)}
    gaps_of = {k: list(g.itertuples()) for k, g in gaps_of_rows.groupby(KEYS, sort=False)}
    by_plot = bool(rows.duplicated(["photo", "row"]).any())

    def draw(some: pd.Index) -> list[dict[str, Any]]:
        made = []
        for r in rows.loc[some].itertuples():
            key = (r.photo, r.plot, r.row)
            at = place_of.get(key, np.zeros(0))
            inside = at[np.isfinite(at) & (at >= -1e-6) & (at <= r.row_length_cm + 1e-6)]
            title = f"{_plot_named(r.plot) if by_plot else r.photo}, row {r.row}"
            unit = str(getattr(r, "row_unit", "") or "").strip()
            words = " ".join(wording.row_words(r, us))
            made.append(
                {
                    "title": f"{title}, unit {unit}" if unit and unit != "nan" else title,
                    "words": words,
                    "trust": wording.trust_words(r) if r.trust else "",
                    "doubt": screen.concerns(r),
                    "positions": len(inside) > 0 or r.plants == 0,
                    "svg": Markup(strips.strip(inside, gaps_of.get(key, []), r.row_length_cm, scale, "row of plants")),
                }
            )
        return made

    return {
        "ruler": Markup(strips.ruler(scale, us)),
        "ranked": len(order) > 1,
        "worst": draw(worst),
        "best": draw(best),
        "rest": draw(rest[:FOLDED]),
        "more": max(0, len(rest) - FOLDED),
        "undrawn": len(rows) - int(drawable.sum()),
    }


def _plot_named(plot: object) -> str:
    """A plot's name that tells what it names: a number alone does not."""
    text = str(plot)
    return text if text.lower().startswith("plot") else f"plot {text}"


def rows_table(rows: pd.DataFrame, us: str, source: str) -> dict[str, Any]:
    """All rows as a table."""
    head = ["file" if source == "tape file" else source, "plot", "row", "length", "plants", "mean gap", "CV",
            "doubles", "singles", "skips", f"plants/{'acre' if us == 'us' else 'ha'}", "trust"]  # fmt: skip
    lines = [
        [
            str(r.photo), str(r.plot), str(r.row), wording.row_length(r.row_length_cm, us),
            wording.NOTHING if r.status == tables.NO_STEMS else str(r.plants),
            wording.spacing(r.mean_gap_cm, us), wording.percent(r.cv_pct), wording.percent(r.multiples_pct),
            wording.percent(r.quality_of_feed_pct), wording.percent(r.misses_pct),
            wording.population(r.plants_per_ha, us, unit=False), wording.trust_words(r) if r.trust else "",
        ]
        for r in rows.head(10 * LINES).itertuples()
    ]  # fmt: skip
    return {"head": head, "lines": lines, "more": max(0, len(rows) - 10 * LINES)}
