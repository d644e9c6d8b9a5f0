"""Yield by plot, from a CSV with a plot and a yield in each line.

The header names the unit: ``yield_kg_ha``, ``yield_t_ha`` or ``yield (bu/ac)``. A column ``treatment`` ties
lines where a plot of the results holds several treatments; a column ``moisture_pct`` serves to bring all
yields to one moisture. Further columns are left alone.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standcam.errors import BadSettings, StandcamError
from standcam.small_csv import read_small_csv
from standcam.units import KG_PER_BUSHEL, kg_per_ha

_SAME_CROP = {"corn": "maize", "soybeans": "soybean"}

_UNITS = {
    "kg_ha": "kg/ha", "kgha": "kg/ha", "kg_per_ha": "kg/ha", "t_ha": "t/ha", "tha": "t/ha", "t_per_ha": "t/ha",
    "mg_ha": "t/ha", "bu_ac": "bu/ac", "buac": "bu/ac", "bu_acre": "bu/ac", "bu_a": "bu/ac", "bu_per_ac": "bu/ac",
    "bu_per_acre": "bu/ac", "bushels_per_acre": "bu/ac",
}  # fmt: skip
_PLOT = ("plot", "plot_id", "plot_no", "plot_number", "strip_id")
_TREATMENT = ("treatment", "treat", "trt", "variant", "setting")
_MOISTURE = ("moisture_pct", "moisture", "moisture_percent", "water_pct")


class BadHarvest(StandcamError):
    """A harvest file cannot be read as one yield a plot."""


@dataclass(frozen=True)
class Harvest:
    """Yields of plots."""

    yields: pd.DataFrame
    """plot, treatment (empty where not given), yield_kg_ha, moisture_pct, line."""
    unit: str
    """Unit in the file: kg/ha, t/ha or bu/ac."""
    notes: tuple[str, ...]


def bushel_per_acre_kg_ha(crop: str) -> float:
    """A bushel per acre of a crop in kg per ha.

    Raises
    ------
    BadSettings
        The weight of this crop's bushel is not known here.
    """
    name = crop.strip().lower()
    name = _SAME_CROP.get(name, name)
    if name not in KG_PER_BUSHEL:
        raise BadSettings(
            f"The weight of a bushel of {crop} is not known.",
            f"Known are {', '.join(sorted(KG_PER_BUSHEL))}; else give the yield in kg/ha or t/ha.",
        )
    return kg_per_ha(1.0, name)


def read_harvest(path: str | Path, crop: str = "maize", to_moisture_pct: float | None = None) -> Harvest:
    """Read yields of plots.

    Parameters
    ----------
    path : path
        CSV; commas, semicolons or tabs, decimal comma allowed with the latter two.
    crop : str
        For the weight of a bushel.
    to_moisture_pct : float, optional
        Bring all yields to this moisture by the file's moisture column. [%]

    Raises
    ------
    BadHarvest
        No plot, no yield or no unit, or mistakes in lines: all named in one message.
    """
    path = Path(path)
    sheet = read_small_csv(path, "Harvest file", BadHarvest, "Write a header such as plot,yield_t_ha.")
    header = [_name(cell) for cell in sheet.lines[0][1]]
    plot, treatment = _find(header, _PLOT), _find(header, _TREATMENT)
    moisture = _find(header, _MOISTURE)
    yields = [(i, _unit(name)) for i, name in enumerate(header) if name.startswith(("yield", "grain_yield"))]
    if plot is None:
        raise BadHarvest(f"Harvest file {path} has no column plot.", "Name the plots as in the plot map.")
    if len(yields) != 1 or not yields[0][1]:
        seen = ", ".join(header[i] for i, _ in yields) or "none"
        raise BadHarvest(
            f"Harvest file {path} must have one yield column with its unit in the heading (found: {seen}).",
            "Call it yield_kg_ha, yield_t_ha or yield_bu_ac.",
        )
    if to_moisture_pct is not None and moisture is None:
        raise BadHarvest(f"Harvest file {path} has no column moisture_pct.", "Leave out --to-moisture, or add it.")
    at, unit = yields[0]
    factor = {"kg/ha": 1.0, "t/ha": 1000.0, "bu/ac": bushel_per_acre_kg_ha(crop) if unit == "bu/ac" else 0.0}[unit]
    records, wrong, blank = [], [], []
    seen_at: dict[tuple[str, str], int] = {}
    for number, own in sheet.lines[1:]:
        cells = own + [""] * (len(header) - len(own))
        if len(cells) > len(header):
            wrong.append(f"line {number} has {len(cells)} cells, the header {len(header)} (a decimal comma?)")
            continue
        key = (cells[plot], cells[treatment] if treatment is not None else "")
        if not key[0]:
            wrong.append(f"line {number} names no plot")
            continue
        if key in seen_at:
            wrong.append(f"line {number} repeats plot {' '.join(key).strip()} of line {seen_at[key]}")
            continue
        seen_at[key] = number
        if cells[at] in ("", "-", "NA", "na", "."):
            blank.append(key[0])
            continue
        value = _number(cells[at], sheet.delimiter)
        water = np.nan if moisture is None or cells[moisture] == "" else _number(cells[moisture], sheet.delimiter)
        if value is None or not np.isfinite(value) or value < 0:
            wrong.append(f"line {number}: yield {cells[at]!r} is no number from zero up")
        elif water is None or not (np.isnan(water) or 0 <= water < 60):
            wrong.append(f"line {number}: moisture {cells[moisture or 0]!r} is no percentage below 60")
        elif to_moisture_pct is not None and np.isnan(water):
            wrong.append(f"line {number} has no moisture")
        else:
            records.append((*key, value * factor, water, number))
    if wrong:
        raise BadHarvest(f"Harvest file {path}: " + "; ".join(wrong) + ".", "Mend the file.")
    frame = pd.DataFrame(records, columns=["plot", "treatment", "yield_kg_ha", "moisture_pct", "line"])
    notes = []
    if blank:
        notes.append(f"No yield is given for plots {', '.join(blank)}.")
    if to_moisture_pct is not None:
        frame["yield_kg_ha"] *= (100 - frame["moisture_pct"]) / (100 - to_moisture_pct)
        notes.append(f"Yields are brought to {to_moisture_pct:g} % moisture.")
    elif moisture is not None:
        notes.append("Yields are used as they stand; --to-moisture brings them to one moisture.")
    notes += _strange(frame, unit)
    return Harvest(frame, unit, tuple(notes))


def join_harvest(plots: pd.DataFrame, harvest: Harvest) -> tuple[pd.DataFrame, list[str]]:
    """Plots with their yield_kg_ha behind (NaN where not harvested), and sentences on what did not fit.

    Parameters
    ----------
    plots : DataFrame
        plot, treatment, and ``measured_plot``: the plot's name in the results, where halves of it were told apart.
    harvest : Harvest
    """
    by_both = {(r.plot, r.treatment): r.Index for r in harvest.yields.itertuples()}
    found = []
    for r in plots.itertuples():
        names = dict.fromkeys([str(r.plot), str(getattr(r, "measured_plot", r.plot))])
        tries = [(n, str(r.treatment)) for n in names] + [(n, "") for n in names]
        found.append(next((by_both[t] for t in tries if t in by_both), -1))
    at = np.array(found, int)
    twice = [i for i in np.unique(at[at >= 0]) if (at == i).sum() > 1]
    if twice:
        lines = ", ".join(str(harvest.yields["line"].iloc[i]) for i in twice)
        raise BadHarvest(
            f"One yield stands for several plots (line {lines}): they held several treatments.",
            "Weigh each treatment by itself and add a column treatment, or leave --harvest out.",
        )
    column = harvest.yields["yield_kg_ha"].to_numpy(float)
    values = np.where(at >= 0, column[np.maximum(at, 0)], np.nan) if len(column) else np.full(len(at), np.nan)
    notes = []
    missing = plots.loc[at < 0, "plot"]
    if len(missing):
        notes.append(f"{len(missing)} of {len(plots)} plots have no yield: {', '.join(map(str, missing[:8]))}.")
    idle = harvest.yields.loc[~harvest.yields.index.isin(at), ["plot", "line"]]
    if len(idle):
        told = ", ".join(f"{r.plot} (line {r.line})" for r in idle.head(8).itertuples())
        notes.append(f"{len(idle)} lines of the harvest file fit no plot: {told}.")
    return plots.assign(yield_kg_ha=values), notes


def _strange(frame: pd.DataFrame, unit: str) -> list[str]:
    """Yields that look like another unit's."""
    if not len(frame):
        return []
    middle = float(frame["yield_kg_ha"].median())
    if middle > 30_000 or middle < 300:
        return [f"The median yield is {middle:,.0f} kg/ha: is the heading's unit ({unit}) right?"]
    return []


def _name(cell: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", cell.strip().lower().replace("%", " pct ")).strip("_")


def _unit(name: str) -> str:
    rest = re.sub(r"^(grain_)?yield_?", "", name)
    return _UNITS.get(rest, "")


def _find(header: list[str], names: tuple[str, ...]) -> int | None:
    return next((header.index(n) for n in names if n in header), None)


def _number(text: str, delimiter: str) -> float | None:
    if delimiter != "," and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return None
