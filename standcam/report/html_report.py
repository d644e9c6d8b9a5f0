"""The report page: one HTML file that needs nothing else, to be read on a phone and printed.

Its numbers are those of the screen and of the tables, in the same words and from the same functions. All text that
comes from files is escaped by the template; a policy in the page forbids scripts and anything from outside.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standcam import flags, tables, trust, units
from standcam.report import screen, strips, wording
from standcam.report.wording import plural
from standcam.settings import Settings
from standcam.spacing.metrics import OPEN

if TYPE_CHECKING:
    from standcam.estimate import Estimate
    from standcam.planter.diagnosis import Diagnosis
    from standcam.stand.population import Overall

KEYS = ["photo", "plot", "row"]
RANKED = 12
"""Rows up to this number are all shown; of more, the worst and the best."""
WORST, BEST = 8, 4
FOLDED = 200
"""Strips that are folded away; further rows are in rows.csv."""
MAP_PX = 1_600
"""Longer side of the map of a strip: names of plots can still be read. [px]"""
LINES = 40
"""Lines of a list or table before it is folded; folded ones end at ten times as many."""
_UNITS = r"%|(?:cm|m|in|ft|ha|acre)\b"
MOST_GAPS = 30_000
"""Of more, the planter's part of the page takes rows drawn by lot."""
GAPS_FOR_FIT = 1_500
"""The fit of all rows together takes some milliseconds a gap; so many give shares to about a point."""


@dataclass(frozen=True)
class Run:
    """What a report is made of: tables and record of one run."""

    rows: pd.DataFrame
    """ROWS, those left out too; columns of the design (row unit, treatment, range, ...) behind."""
    gaps: pd.DataFrame
    plants: pd.DataFrame
    plots: pd.DataFrame
    problems: pd.DataFrame
    settings: Settings
    record: Mapping[str, Any]
    """run.json."""
    name: str = ""
    """Of the results, for the title."""
    notes: Sequence[str] = ()
    """Beyond those of the record."""
    picture: Callable[[str], bytes | None] = field(default=lambda name: None)
    """Gives a marked photo by its name."""
    raw_rows: pd.DataFrame | None = None
    """ROWS before edits by hand; None where nothing was edited."""
    raw_gaps: pd.DataFrame | None = None
    """GAPS before them."""
    strip_map: bytes | None = None
    """Map of a drone strip. PNG"""
    chains: pd.DataFrame | None = None
    """CHAINS, where photos were joined into rows."""
    seams: pd.DataFrame | None = None
    """SEAMS, where photos of a plot share boards or plants."""
    emergence: pd.DataFrame | None = None
    """EMERGENCE, where ``standcam visits`` followed the plants over days."""
    emergence_days: pd.DataFrame | None = None
    """DAYS"""

    @property
    def of_photos(self) -> bool:
        """Whether the rows come from photos, not from a tape or a mosaic."""
        return self.source == "photo"

    @property
    def source(self) -> str:
        """What rows were found in: photo, tape file or strip."""
        return {"tape": "tape file", "strip": "strip"}.get(str(self.record.get("command")), "photo")

    @property
    def strip(self) -> Mapping[str, Any]:
        """What the record tells of the strip as a whole."""
        told = self.record.get("strip")
        return told if isinstance(told, Mapping) else {}

    @property
    def inputs(self) -> list[Mapping[str, Any]]:
        """Records of the inputs."""
        return [i for i in self.record.get("inputs", []) if isinstance(i, Mapping)]


def report_html(run: Run) -> str:
    """The page.

    Parameters
    ----------
    run : Run
    """
    return _template().render(**_content(run))


@cache
def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    text = Path(__file__).with_name("report.html.j2").read_text(encoding="utf-8")
    around = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    around.filters["plain"] = _plain
    return around.from_string(text)


def _plain(text: object) -> str:
    """Text fit to be shown, numbers not torn from their units or thousands at the end of a line."""
    return re.sub(rf"(?<=\d) (?=\d{{3}}\b|{_UNITS})", "\N{NO-BREAK SPACE}", wording.printable(str(text)))


def _content(run: Run) -> dict[str, Any]:
    from markupsafe import Markup

    from standcam.report.html_more import chains_part, visits_part
    from standcam.report.html_photos import photo_list
    from standcam.stand.population import overall

    us = run.settings.output.units
    rows = run.rows.reset_index(drop=True)
    coarse = screen.not_sought(rows)
    kept = rows[trust.kept(rows) & (rows["status"] != tables.NO_STEMS)].reset_index(drop=True)
    gaps = trust.of_kept(run.gaps, rows)
    plants = trust.of_kept(run.plants, rows)
    all_rows = overall(kept, gaps, run.settings.statistics) if len(kept) else None
    diagnosis, fit_notes = _diagnosis(kept, gaps, plants, run.settings)
    shown = _strips(rows, run.gaps, run.plants, us)
    cautions = _cautions(run, diagnosis)
    return {
        "style": Markup(strips.STYLE),
        "name": run.name,
        "head": _head(run, rows),
        "headline": _headline(all_rows, kept, run),
        "cards": _cards(all_rows, kept, gaps, rows, run.settings),
        "totals": screen.bare_line(rows, gaps, us)
        if coarse
        else screen.totals(kept, gaps, us, run.source)
        if len(kept)
        else "",
        "coarse": coarse,
        "left_out": trust.left_out_notes(rows, run.settings.statistics.min_trust),
        "cautions": cautions,
        "words": [] if coarse else _words(run, kept, gaps),
        "units": _units(diagnosis, us),
        "unit_note": _unit_note(diagnosis, run),
        "map": _map(run),
        "plots": _plots(run, rows, us),
        "visits": visits_part(run),
        "chains": chains_part(run),
        "spacing": _spacing(diagnosis, gaps, us),
        "fit_notes": fit_notes,
        "strips": shown,
        "photos": photo_list(run.inputs, rows, run.picture, us) if run.of_photos else None,
        "problems": _some(
            [(str(r.path), str(r.reason), str(r.remedy)) for r in run.problems.itertuples()][: 10 * LINES], LINES
        ),
        "n_problems": len(run.problems),
        "unused": screen.unused(len(run.problems), run.source),
        "notes": _notes(run, diagnosis),
        "edited": _edited(run),
        "method": _method(run),
        "sources": _sources(run, diagnosis),
        "table": _table(rows, us, run.source),
    }


# ---- the answer


def _head(run: Run, rows: pd.DataFrame) -> list[str]:
    lines = []
    taken = sorted(str(i["taken"]) for i in run.inputs if i.get("taken"))
    if taken:
        first, last = taken[0][:10].replace(":", "-"), taken[-1][:10].replace(":", "-")
        done = "Flown" if run.source == "strip" else "Photos taken"
        lines.append(f"{done} {first}" + ("" if first == last else f" to {last}"))
    # a flight's strip has many frames as its inputs
    inputs = rows["photo"].nunique() if run.source == "strip" else len(run.inputs)
    lines.append(f"{plural(inputs, run.source)}, {plural(len(rows), 'row')}, {plural(len(run.plots), 'plot')}")
    if run.source == "strip":
        lines += _strip_facts(run)
    when = str(run.record.get("started", ""))[:16].replace("T", " ")
    lines.append(f"standcam {run.record.get('standcam', '')}, {when} UTC".replace(",  UTC", ""))
    return lines


def _strip_facts(run: Run) -> list[str]:
    """Area, resolution and map of a strip, as far as the record tells them."""
    facts = run.strip or (run.inputs[0] if len(run.inputs) == 1 else {})
    area, pixel, crs = facts.get("hectares"), facts.get("mm_per_px"), str(facts.get("crs") or "")
    parts = []
    if isinstance(area, int | float):
        us = run.settings.output.units == "us"
        parts.append(
            f"{area * units.ACRES_PER_HA:.3g} acre"
            if us
            else f"{area:.3g} ha"
            if area >= 0.1
            else f"{area * units.M2_PER_HA:.0f} m²"
        )
    if isinstance(pixel, int | float):
        parts.append(f"{pixel:.3g} mm a pixel")
    if crs and crs != "local":
        parts.append(crs)
    return [", ".join(parts)] if parts else []


def _headline(all_rows: Overall | None, kept: pd.DataFrame, run: Run) -> str:
    if all_rows is None:
        if screen.not_sought(run.rows):
            return "Rows and bare stretches only: the pixels are too coarse to tell plants."
        return "No row was measured: there is no number to give."
    us = run.settings.output.units
    per_ha = screen.pooled_per_ha(kept)
    if math.isfinite(per_ha):
        said = f"{wording.population(per_ha, us, unit=False)} plants per {'acre' if us == 'us' else 'ha'}"
        share = _emergence(kept, run.settings)
        return f"{said}: {wording.percent(share)} of the seeds set." if math.isfinite(share) else f"{said}."
    n = int(kept["plants"].sum())
    length = kept["row_length_cm"].sum()
    return (
        f"{plural(n, 'plant')}"
        + (f" on {wording.row_length(length, us)} of row" if length > 0 else "")
        + "; plants per area cannot be given."
    )


def _emergence(kept: pd.DataFrame, settings: Settings) -> float:
    from standcam.stand.population import emergence

    long = kept[kept["row_length_cm"].notna()]
    return float(
        emergence(np.array([long["plants"].sum()]), np.array([long["row_length_cm"].sum()]), settings.spacing)[0][0]
    )


def _cards(
    all_rows: Overall | None, kept: pd.DataFrame, gaps: pd.DataFrame, rows: pd.DataFrame, settings: Settings
) -> list[dict[str, str]]:
    """The numbers that are looked for first: value, range, and what it is held against."""
    if all_rows is None:
        return []
    us = settings.output.units
    kinds = gaps.loc[(gaps["kind"] != OPEN) & (gaps["kind"] != ""), "kind"]
    singles = 100 * float((kinds == "single").mean()) if len(kinds) else math.nan
    per_ha = screen.pooled_per_ha(kept)
    cards = [
        _card(
            f"Plants per {'acre' if us == 'us' else 'ha'}",
            wording.population(per_ha, us, unit=False),
            all_rows.plants_per_ha,
            lambda v: wording.population(v, us, unit=False),
            _target_population(kept, settings),
        ),
        _card("Mean gap", wording.spacing(all_rows.mean_gap_cm.value, us), all_rows.mean_gap_cm,
              lambda v: wording.spacing(v, us), _target_spacing(kept, us)),
        _card("CV of gaps", wording.percent(all_rows.cv_pct.value), all_rows.cv_pct, wording.percent,
              "even drop: low; no target was given"),
        _card("Skips", wording.percent(all_rows.misses_pct.value), all_rows.misses_pct, wording.percent,
              "share of spacings; ideal 0"),
        _card("Doubles", wording.percent(all_rows.multiples_pct.value), all_rows.multiples_pct, wording.percent,
              "share of spacings; ideal 0"),
        _card("Singulation", wording.percent(singles), None, wording.percent, "singles, share of spacings; ideal 100"),
        _trust_card(rows),
    ]  # fmt: skip
    return cards


def _card(
    title: str, value: str, interval: Estimate | None, words: Callable[[float], str], target: str
) -> dict[str, str]:
    span = wording.NOTHING if interval is None else wording.span(interval.low, interval.high, words)
    return {"title": title, "value": value, "range": "" if span == wording.NOTHING else span, "target": target}


def _target_population(kept: pd.DataFrame, settings: Settings) -> str:
    spacing, us = settings.spacing, settings.output.units
    if spacing.row_width_cm is None:
        return "row width unknown"
    if spacing.seeding_rate_per_ha is not None:
        seeds = spacing.seeding_rate_per_ha
    elif spacing.nominal_spacing_cm is not None:
        seeds = units.M2_PER_HA * 1e4 / (spacing.nominal_spacing_cm * spacing.row_width_cm)
    else:
        return "no target was given"
    share = _emergence(kept, settings)
    tail = f"; {wording.percent(share)} of them stand" if math.isfinite(share) else ""
    return f"seeds set: {wording.population(seeds, us, unit=False)}{tail}"


def _target_spacing(kept: pd.DataFrame, us: str) -> str:
    known = kept[kept["nominal_spacing_cm"].notna()]
    if not len(known):
        return "no target was given"
    cm, source = known["nominal_spacing_cm"].iloc[0], known["nominal_source"].iloc[0]
    set_to = wording.spacing(float(cm), us)
    return f"set: {set_to}" if source != "estimated" else f"theoretical {set_to}, estimated"


def _trust_card(rows: pd.DataFrame) -> dict[str, str]:
    counts = Counter(rows["trust"])
    graded = sum(counts[g] for g in flags.GRADES)
    if not graded:
        return {"title": "Trust", "value": wording.NOTHING, "range": "", "target": "read from a tape: not graded"}
    out = int((~trust.kept(rows)).sum())
    told = ", ".join(f"{counts[g]} {g}" for g in reversed(flags.GRADES[:-1]) if counts[g]) or "none in doubt"
    return {
        "title": "Trust: rows good",
        "value": f"{counts['good']} of {graded}",
        "range": told,
        "target": f"{plural(out, 'row')} left out" if out else "none left out",
    }


def _words(run: Run, kept: pd.DataFrame, gaps: pd.DataFrame) -> list[str]:
    """The sentences of the screen."""
    us = run.settings.output.units
    lines = [
        *screen.spacing_lines(kept, gaps, run.settings),
        *screen.weed_lines(kept, run.settings),
        *screen.nominal_lines(kept, us),
    ]
    methods = [str(i.get("scale_method", "none")) for i in run.inputs]
    return [*lines, *([screen.scale_line(methods)] if run.of_photos and methods else [])]


def _cautions(run: Run, d: Diagnosis | None) -> list[str]:
    from standcam.planter.checklist import CAUTIONS

    return [screen.CAUTION_OF[run.source], *CAUTIONS]


# ---- planter


def _diagnosis(
    kept: pd.DataFrame, gaps: pd.DataFrame, plants: pd.DataFrame, settings: Settings
) -> tuple[Diagnosis | None, list[str]]:
    from standcam.errors import StandcamError
    from standcam.planter.diagnosis import diagnose

    notes: list[str] = []
    closed = gaps[gaps["kind"] != OPEN]
    if not len(closed) or not len(kept):
        return None, ["There is no spacing between two plants in these results."]
    if len(closed) > MOST_GAPS:
        keys = kept[KEYS].drop_duplicates()
        drawn = keys.sample(max(1, round(MOST_GAPS / len(closed) * len(keys))), random_state=settings.statistics.seed)
        notes.append(
            f"What the planter did is told from {len(drawn)} of {len(keys)} rows, drawn by lot; standcam planter takes "
            "all."
        )
        index = pd.MultiIndex.from_frame(drawn)
        kept, gaps, plants = (t[pd.MultiIndex.from_frame(t[KEYS]).isin(index)] for t in (kept, gaps, plants))
    try:
        return diagnose(gaps, kept, settings, plants=plants, fit_gaps=GAPS_FOR_FIT), notes
    except StandcamError as error:
        return None, [*notes, error.reason]


def _spacing(d: Diagnosis | None, gaps: pd.DataFrame, us: str) -> dict[str, Any]:
    from markupsafe import Markup

    from standcam.report import chart, planter_report

    if d is None:
        return {"figure": "", "lines": []}
    figure = planter_report.spacing_figure(d.fit, _of_places(gaps, d), us == "us", width_in=4.6)
    label = "Histogram of the spacings with the fitted planter over it"
    return {"figure": Markup(chart.svg(figure, "gap", label)), "lines": planter_report.answer(d, us == "us")}


def _of_places(gaps: pd.DataFrame, d: Diagnosis) -> pd.DataFrame:
    """Gaps of the rows that the fit took."""
    if len(d.places.keys) >= len(gaps.drop_duplicates(KEYS)):
        return gaps
    return gaps[pd.MultiIndex.from_frame(gaps[KEYS]).isin(pd.MultiIndex.from_frame(d.places.keys[KEYS]))]


def _units(d: Diagnosis | None, us: str) -> dict[str, Any] | None:
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


def _unit_note(d: Diagnosis | None, run: Run) -> str:
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


# ---- plots and rows


def _map(run: Run) -> str:
    """Map of a strip as data URI; empty where there is none."""
    import base64

    from standcam.report.html_photos import small_jpeg

    small = None if run.strip_map is None else small_jpeg(run.strip_map, MAP_PX)
    return "" if small is None else f"data:image/jpeg;base64,{base64.b64encode(small).decode('ascii')}"


def _plots(run: Run, rows: pd.DataFrame, us: str) -> dict[str, Any]:
    from markupsafe import Markup

    from standcam.report import chart
    from standcam.report.html_more import treatments_told
    from standcam.report.plot_picture import places_of, plot_picture

    plots = run.plots[run.plots["status"] != trust.LEFT_OUT]
    lost = [str(p) for p in run.plots.loc[run.plots["status"] == trust.LEFT_OUT, "plot"]]
    places = places_of(rows, run.inputs) if len(plots) > 1 else None
    figure = plot_picture(places, plots, us) if places is not None else None
    drawn = ""
    if figure is not None and places is not None:
        how = {"grid": "in the field plan", "map": "on the map"}.get(places.kind, "by GPS")
        drawn = chart.svg(figure, "map", f"Plots {how}: population and share of singles")
    width = float(plots["plants_per_ha"].max()) if len(plots) else math.nan
    by_area = math.isfinite(width) and width > 0
    most = width if by_area else 100.0
    order = plots.assign(_by=plots["plants_per_ha"] if by_area else plots["quality_of_feed_pct"])
    order = order.sort_values("_by", kind="stable", na_position="first")
    treatment_of = _treatments(rows, order)
    lines = []
    for r in order.head(10 * LINES).itertuples():
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
        **_some(lines, 12),
        "more": max(0, len(plots) - 10 * LINES),
        "lost": ", ".join(lost[:LINES]) + (f" and {len(lost) - LINES} more" if len(lost) > LINES else ""),
    }


def _by_singles(plots: pd.DataFrame) -> str:
    return "Fewest singles first." if plots["quality_of_feed_pct"].notna().any() else ""


def _treatments(rows: pd.DataFrame, plots: pd.DataFrame) -> dict[str, str]:
    """Treatment of each plot, of plots that have but one."""
    if "treatment" not in rows:
        return {}
    text = rows["treatment"].fillna("").astype(str).str.strip()
    kinds = text.groupby(rows["plot"].astype(str)).unique()
    return {plot: kinds[plot][0] if len(kinds.get(plot, ())) == 1 else "" for plot in plots["plot"].astype(str)}


def _unnamed(run: Run) -> str:
    """What a plot is where none was named."""
    if run.source != "strip":
        return "Where no plots were named, each photo or file is one."
    return "No plots were given: the whole strip is one." if len(run.plots) == 1 else ""


def _strips(rows: pd.DataFrame, gaps: pd.DataFrame, plants: pd.DataFrame, us: str) -> dict[str, Any]:
    from markupsafe import Markup

    drawable = rows[rows["row_length_cm"].notna() & (rows["row_length_cm"] > 0)]
    faults = drawable["multiples_pct"].fillna(0) + drawable["misses_pct"].fillna(0)
    none = (drawable["plants"] == 0) & (drawable["status"] != tables.NO_STEMS)
    bare = gaps[gaps["kind"] == "bare"].groupby(KEYS)["gap_cm"].sum()
    if len(bare):  # of rows in which no plant was sought
        faults = pd.Series([bare.get(tuple(k), 0.0) for k in drawable[KEYS].itertuples(index=False)], drawable.index)
    order = drawable.assign(_faults=faults.where(~none, 1e3), _cv=drawable["cv_pct"].fillna(0))
    order = order.sort_values(["_faults", "_cv"], ascending=False, kind="stable")
    if len(order) <= RANKED:
        worst, best, rest = order, order.head(0), order.head(0)
    else:
        worst, best = order.head(WORST), order.tail(BEST)
        rest = order.iloc[WORST : len(order) - BEST]
    wanted = pd.concat([worst, best, rest.head(FOLDED)])
    nominal = drawable["nominal_spacing_cm"].dropna()
    spacing = float(nominal.iloc[0]) if len(nominal) else float(drawable["median_gap_cm"].median())
    scale = strips.common_scale(wanted["row_length_cm"].tolist(), spacing)
    if len(wanted) < len(rows):
        index = pd.MultiIndex.from_frame(wanted[KEYS])
        gaps = gaps[pd.MultiIndex.from_frame(gaps[KEYS]).isin(index)]
        plants = plants[pd.MultiIndex.from_frame(plants[KEYS]).isin(index)]
    crop = plants[plants["is_crop"].astype(bool)]
    place_of = {k: g["position_cm"].to_numpy(float) for k, g in crop.groupby(KEYS, sort=False)}
    gaps_of = {k: list(g.itertuples()) for k, g in gaps.groupby(KEYS, sort=False)}
    by_plot = bool(rows.duplicated(["photo", "row"]).any())

    def draw(part: pd.DataFrame) -> list[dict[str, Any]]:
        made = []
        for r in part.itertuples():
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
        "rest": draw(rest.head(FOLDED)),
        "more": max(0, len(rest) - FOLDED),
        "undrawn": len(rows) - len(drawable),
    }


def _plot_named(plot: object) -> str:
    """A plot's name that tells what it names: a number alone does not."""
    text = str(plot)
    return text if text.lower().startswith("plot") else f"plot {text}"


def _table(rows: pd.DataFrame, us: str, source: str) -> dict[str, Any]:
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


# ---- what it rests on


def _notes(run: Run, d: Diagnosis | None) -> dict[str, Any]:
    """Notes of the run first, those of single photos folded behind."""
    told = list(dict.fromkeys([*map(str, run.record.get("notes", [])), *run.notes]))
    left_out = set(trust.left_out_notes(run.rows, run.settings.statistics.min_trust))
    from_planter = [] if d is None else [n for n in d.notes if not n.startswith("Row units are not known")]
    told = [n for n in dict.fromkeys([*told, *from_planter]) if n not in left_out]
    where: dict[str, list[str]] = {}
    for record in run.inputs:
        for note in record.get("notes") or []:
            where.setdefault(str(note), []).append(str(record.get("photo", "")))
    single = [
        (note, ", ".join(photos[:5]) + (f" and {len(photos) - 5} more" if len(photos) > 5 else ""))
        for note, photos in where.items()
    ]
    return {"run": told[: 2 * LINES], "photos": single[: 5 * LINES]}


def _edited(run: Run) -> list[str]:
    """All rows together as they were before edits by hand."""
    if run.raw_rows is None or run.raw_gaps is None or not len(run.raw_rows):
        return []
    kept = run.raw_rows[trust.kept(run.raw_rows)]
    gaps = trust.of_kept(run.raw_gaps, run.raw_rows)
    return [screen.totals(kept, gaps, run.settings.output.units, run.source)]


def _method(run: Run) -> dict[str, Any]:
    record, s = run.record, run.settings
    if run.of_photos:
        how = [
            "Each photo was given a ground scale, its plants were found and tied to rows, and the places of the stems "
            "along each row were read in centimetres. Weeds are not counted.",
            f"Stems were found by the {'network' if s.stems.locator == 'learned' else 'shape of plants'}.",
        ]
    elif run.source == "strip":
        how = [
            "Plants were found by a network in the pictures from the air, rows by their direction and rhythm, and the "
            "places of the stems along each row were read in centimetres. Weeds are not counted."
            if not screen.not_sought(run.rows)
            else "Rows were found by their direction and rhythm in the pictures from the air; no plants were placed.",
        ]
    else:
        how = ["Places of plants along the rows were read from tape files."]
    how += [
        "Row length is the stretch that was measured, not the span of the plants; plants per area are plants over row "
        "length times row width. The open ends of a row are not counted as gaps.",
        "A spacing up to half of the theoretical one is a double, above one and a half a skip, else a single.",
        f"Ranges hold at {100 * s.statistics.level:g} %, with plots or rows as the units of sampling where there are "
        "several.",
    ]
    changed = _changed(s.to_dict(), Settings().to_dict())
    libraries = record.get("libraries") or {}
    facts = [
        ("command", str(record.get("command", ""))),
        ("version", f"standcam {record.get('standcam', '')}, Python {record.get('python', '')}"),
        ("libraries", ", ".join(f"{name} {version}" for name, version in libraries.items())),
        ("run", " to ".join(str(record.get(k, ""))[:19].replace("T", " ") for k in ("started", "finished")) + " UTC"),
        ("settings digest", str(record.get("settings_digest", ""))),
    ]
    return {"how": how, "facts": [f for f in facts if f[1].strip()], "settings": changed}


def _changed(own: Mapping[str, Any], usual: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [
        (f"{stage}.{name}", str(value))
        for stage, values in own.items()
        for name, value in values.items()
        if value != usual.get(stage, {}).get(name)
    ]


def _sources(run: Run, d: Diagnosis | None) -> list[str]:
    listed = [
        "Classes and indices of spacing (doubles, singles, skips, precision): ISO 7256-1, Sowing equipment, test "
        "methods, single seed drills.",
        "Population of rows of different length, and its range: ratio estimator, Cochran 1977, Sampling Techniques, "
        "chapter 6 (from memory).",
        "Ranges of spacing: bootstrap of whole rows or plots; of one or two rows by closed forms over their gaps, "
        "shares by Wilson's interval (Newcombe 1998, Stat. Med. 17:857-872), counts of one row as a renewal process "
        "(Cox 1962, Renewal Theory; from memory).",
    ]
    if d is not None:
        listed.append(
            "Places without a plant, doubles and placement: maximum likelihood over all ways in which plants can "
            "belong to seed places; a model of this program, tested on planters simulated with known faults."
        )
    if run.of_photos:
        listed.append(
            "Trust: grades by measured flags. How right photos are, and where not, stands in the README of the program."
        )
    elif run.source == "strip":
        listed.append("How right strips are, by pixel size, and where not, stands in the README of the program.")
    return listed


def _some(lines: Sequence[Any], most: int) -> dict[str, Any]:
    """Lines to show, and those to fold away."""
    return {"lines": list(lines[:most]), "folded": list(lines[most:])}
