"""A strip counted: rows and plants of its measurement cut by plots and summarised, whatever pictures they came from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.measure_strip import StripMeasurement
from standcam.settings import Settings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.coarse import coarse_summary
from standcam.strips.cut import CutRows, cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.plots import Plots, whole_strip
from standcam.summarise import Summary, summarise
from standcam.trust import finds_unsure


@dataclass(frozen=True)
class StripCount:
    """What became of one strip."""

    measurement: StripMeasurement
    plots: Plots
    cut: CutRows
    summary: Summary
    settings: Settings
    """As used: with the row width that was measured, where none was given."""
    notes: tuple[str, ...]
    pieces: int = 0
    """Tiles or frames that were looked at."""
    reused: int = 0
    """Of these, in an earlier run."""
    keys: frozenset[str] = frozenset()
    """Pieces of the store that belong to this run."""
    inputs: tuple[dict[str, Any], ...] = ()
    """What run.json tells of each file."""
    problems: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.PROBLEMS))
    """PROBLEMS: plots outside of the pictures, frames that could not be used."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Plants, gaps, rows, plots and problems, by the names that results take."""
        return {
            "plants": self.cut.plants,
            "gaps": self.summary.gaps,
            "rows": self.summary.rows,
            "plots": self.summary.plots,
            "problems": self.problems,
        }

    def facts(self) -> dict[str, Any]:
        """What run.json tells of the strip as a whole."""
        site = self.measurement.site
        return {
            "name": site.name,
            "mm_per_px": round(site.mm_per_px, 4),
            "crs": site.crs_name,
            "bounds_m": list(site.bounds_m),
            "hectares": round(site.hectares, 5),
            "rows": len(self.measurement.rows.rows),
            "pieces": self.pieces,
        }


def counted(
    measurement: StripMeasurement,
    settings: Settings,
    plots: Plots | None = None,
    to_pixels: Callable[[np.ndarray], np.ndarray] | None = None,
) -> StripCount:
    """Cut a measured strip by its plots and summarise it.

    Parameters
    ----------
    measurement : StripMeasurement
    settings : Settings
    plots : Plots, optional
        Without them the whole strip is one plot.
    to_pixels : callable, optional
        Map to pixels, for the ends of stretches. (n, 2) [m] -> (n, 2) [px]
    """
    from shapely.geometry import box

    site = measurement.site
    settings, told = _with_row_width(settings, measurement)
    plots = plots or whole_strip(site.stem, box(*site.bounds_m), site.crs_wkt)
    cut = cut_rows(
        measurement.rows.rows,
        measurement.plants,
        plots,
        LocalFrame(site.origin_m),
        settings.plots,
        site.name,
        spells=measurement.rows.spells,
        columns=_units(measurement),
        to_pixels=to_pixels,
    )
    if site.stems_possible:
        cut = replace(cut, stretches=_doubted(cut))
        summary = summarise(positions_from_plants(cut.plants), cut.stretches, settings.spacing, settings.statistics)
    else:
        summary = coarse_summary(cut.plants, cut.stretches, settings.maps.gap_cm, settings.spacing)
        cut = replace(cut, plants=cut.plants[:0], outside=cut.outside[:0])
    notes = (*measurement.notes, *told, *plots.notes, *cut.notes, *summary.notes)
    return StripCount(
        measurement=measurement,
        plots=plots,
        cut=cut,
        summary=_described(summary, cut.stretches),
        settings=settings,
        notes=tuple(dict.fromkeys(notes)),
        problems=plots.problems,
    )


def _with_row_width(settings: Settings, m: StripMeasurement) -> tuple[Settings, list[str]]:
    """Settings with the row width that the rows show, where none was given."""
    widths = [g.row_width_cm for g in m.rows.groups if np.isfinite(g.row_width_cm)]
    if settings.spacing.row_width_cm is not None or not widths:
        return settings, []
    width = round(float(widths[0]), 1)
    said = f"Row width was measured from the rows: {width:g} cm; plants per ha go by it."
    if max(widths) - min(widths) > 0.05 * width:
        said += f" Rows of other directions are {', '.join(f'{w:.1f}' for w in widths[1:])} cm apart."
    return settings.replace("spacing", row_width_cm=width), [said]


def _units(m: StripMeasurement) -> dict[str, list[Any]]:
    """Pass and row unit of every strip row, missing and empty where they are not known."""
    numbers, units = m.passes.row_pass.tolist(), m.passes.row_unit.tolist()
    return {"pass": [n or pd.NA for n in numbers], "row_unit": [str(u) if u else "" for u in units]}


def _doubted(cut: CutRows) -> pd.DataFrame:
    """Stretches, with a flag where their finds are unsure."""
    keys = ["plot", "row"]
    listed = cut.plants[cut.plants["judged"] != "weed"]
    unsure = {key for key, part in listed.groupby(keys, sort=False) if finds_unsure(part)}
    words = [
        flags.words(flags.parse(text) | flags.bit("finds_unsure")) if (plot, row) in unsure else text
        for text, plot, row in zip(*(cut.stretches[name] for name in ("flags", *keys)), strict=True)
    ]
    return cut.stretches.assign(flags=pd.Series(words, index=cut.stretches.index, dtype="str"))


_DESCRIBING = ("strip_row", "strip_from_cm", "pass", "row_unit", "treatment", "block")


def _described(summary: Summary, stretches: pd.DataFrame) -> Summary:
    """Rows with what is known of each, and plots with treatment and block."""
    names = [n for n in stretches if n in _DESCRIBING or n.endswith(("easting_m", "northing_m"))]
    keys = ["photo", "plot", "row"]
    rows = summary.rows.merge(stretches[[*keys, *names]], on=keys, how="left")
    of_plot = [n for n in ("treatment", "block") if n in stretches]
    cells = stretches.drop_duplicates("plot")[["plot", *of_plot]]
    return replace(summary, rows=rows, plots=summary.plots.merge(cells, on="plot", how="left"))
