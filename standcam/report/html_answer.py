"""The answer at the head of the report page: what was counted, and the numbers that are looked for first."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standcam import flags, trust, units
from standcam.report import overall_words, screen, wording
from standcam.report.html_run import Run
from standcam.report.wording import plural
from standcam.settings import Settings

if TYPE_CHECKING:
    from standcam.estimate import Estimate
    from standcam.report.overall_words import AllRows
    from standcam.stand.population import Overall


def head(run: Run, rows: pd.DataFrame) -> list[str]:
    """Dates, inputs and program, line by line."""
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


def headline(all_rows: Overall | None, kept: pd.DataFrame, run: Run) -> str:
    """The answer in a sentence."""
    if all_rows is None:
        if screen.not_sought(run.rows):
            return "Rows and bare stretches only: the pixels are too coarse to tell plants."
        return "No row was measured: there is no number to give."
    us = run.settings.output.units
    per_ha = overall_words.pooled_per_ha(kept)
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

    long = kept.loc[kept["row_length_cm"].notna(), ["plants", "row_length_cm"]]
    return float(
        emergence(np.array([long["plants"].sum()]), np.array([long["row_length_cm"].sum()]), settings.spacing)[0][0]
    )


def cards(told: AllRows, kept: pd.DataFrame, rows: pd.DataFrame, settings: Settings) -> list[dict[str, str]]:
    """The numbers that are looked for first: value, range, and what it is held against."""
    all_rows = told.overall
    if all_rows is None:
        return []
    us = settings.output.units
    per_ha = overall_words.pooled_per_ha(kept)
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
        _card("Singulation", wording.percent(told.singles_pct), None, wording.percent,
              "singles, share of spacings; ideal 100"),
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
    known = kept.loc[kept["nominal_spacing_cm"].notna(), ["nominal_spacing_cm", "nominal_source"]]
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


def words(run: Run, kept: pd.DataFrame, told: AllRows) -> list[str]:
    """The sentences of the screen."""
    us = run.settings.output.units
    lines = [
        *told.spacing,
        *screen.weed_lines(kept, run.settings),
        *screen.nominal_lines(kept, us),
    ]
    methods = [str(i.get("scale_method", "none")) for i in run.inputs]
    return [*lines, *([screen.scale_line(methods)] if run.of_photos and methods else [])]


def cautions(run: Run) -> list[str]:
    """What to mind before acting on the numbers."""
    from standcam.planter.checklist import CAUTIONS

    return [screen.CAUTION_OF[run.source], *CAUTIONS]
