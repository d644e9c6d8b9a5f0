"""A survey in a count: photos under their plots, tables with what is known of these, and what did not fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from standcam import tables
from standcam.aside import Lines, LinesWriter
from standcam.batch.inputs import Input, is_results
from standcam.chain.join import design_of_chains
from standcam.errors import BadSettings
from standcam.report.csv_tables import csv_text
from standcam.report.wording import plural
from standcam.settings import Settings
from standcam.stand.plotmap import join_plot_map
from standcam.survey.plot_list import CELLS
from standcam.survey.tie import is_survey, tie_photos
from standcam.survey.tied import MISMATCHES, TIES, Ties

FILES = {"ties.csv": TIES, "mismatches.csv": MISMATCHES}


def survey_of(
    paths: Sequence[Path],
    inputs: Sequence[Input],
    settings: Settings,
    visit: str | None = None,
) -> Ties | None:
    """The survey that a call of ``count`` means: its one folder, if anything there ties photos to plots.

    Parameters
    ----------
    paths : sequence of path
        As the user gave them.
    inputs : sequence of Input
        Photos found.
    settings : Settings
    visit : str, optional
        Keep photos of this visit only.

    Raises
    ------
    BadSettings, PlotMapMismatch
        Of :func:`standcam.survey.tie.tie_photos`; or no photo is of that visit, or there is no survey to tell.
    """
    folder = paths[0] if len(paths) == 1 and paths[0].is_dir() else None
    if folder is None or is_results(folder) or not is_survey(folder, settings):
        if visit is not None:
            raise BadSettings(
                f"--visit {visit}: nothing tells the visits of these photos.",
                "Name one survey folder, with a plots.csv: standcam survey new FOLDER.",
            )
        return None
    tied = tie_photos(folder, inputs, settings)
    return tied if visit is None else of_visit(tied, visit)


def of_visit(tied: Ties, visit: str) -> Ties:
    """Photos of one visit.

    Raises
    ------
    BadSettings
        None is.
    """
    keep = (tied.ties["visit"] == visit).to_numpy()
    if not keep.any():
        visits = ", ".join(sorted(set(tied.ties["visit"]) - {""})) or "none at all"
        raise BadSettings(f"No photo is of the visit {visit!r}.", f"Those of the survey are: {visits}.")
    inputs = tuple(item for item, kept in zip(tied.inputs, keep, strict=True) if kept)
    return replace(tied, inputs=inputs, ties=tied.ties[keep].reset_index(drop=True))


def described(tied: Ties, lines: Mapping[str, Lines], folder: Path | None = None) -> dict[str, Lines]:
    """Tables of a count with plot_row, row_unit, treatment, block, visit, and columns of the user's own behind.

    Plants and gaps get the first five, rows all. Plots get what is the same in all rows of the plot that tell it.

    Parameters
    ----------
    tied : Ties
    lines : mapping
        Table name to table.
    folder : path, optional
        Where there is room for the plots.

    Raises
    ------
    OSError
        Disk full.
    """
    out = dict(lines)
    if not len(tied.design):
        return out
    # photos joined into one row go by another name
    design = design_of_chains(tied.design, lines["plants"])
    rows = join_plot_map(lines["rows"].whole(), design)[0]
    names = [name for name in design if name not in ("photo", "row")]
    cells = design[["photo", "row", *CELLS]]
    line_of = pd.Index(cells["photo"])

    def with_cells(part: pd.DataFrame) -> pd.DataFrame:
        own = line_of.isin(part["photo"].unique())
        own[:1] = True  # columns come from the lines, so one must be there
        return join_plot_map(part, cells[own].reset_index(drop=True))[0]

    for name in ("plants", "gaps"):
        out[name] = lines[name].then(with_cells)
    of_plot: dict[str, dict[str, object]] = {}
    for plot, own in rows.groupby("plot", sort=False):
        told = {name: own[name][own[name].notna() & (own[name].astype("str") != "")].unique() for name in names}
        of_plot[str(plot)] = {name: values[0] for name, values in told.items() if len(values) == 1}
    plots = LinesWriter(tables.PLOTS, folder)
    for part in lines["plots"].parts():
        for name in names:
            numbers = pd.api.types.is_numeric_dtype(design[name])
            values = [of_plot.get(plot, {}).get(name, float("nan") if numbers else "") for plot in part["plot"]]
            part = part.assign(**{name: pd.Series(values, index=part.index, dtype="float64" if numbers else "object")})
        plots.add(part)
        plots.end_part()
    return out | {"rows": Lines.of(tables.ROWS, rows), "plots": plots.done()}


def files(tied: Ties) -> dict[str, str]:
    """Further files of a results folder: which photo was tied to what by what, and what did not fit."""
    frames = {"ties.csv": tied.ties, "mismatches.csv": tied.mismatches}
    return {name: csv_text(table, frames[name]) for name, table in FILES.items()}


def notes(tied: Ties) -> list[str]:
    """Sentences on the survey: how photos were tied, what does not fit, and visits that would be pooled."""
    out = [headline(tied) + " ties.csv lists them."]
    for kind, lines in tied.mismatches.groupby("kind", sort=False):
        first = " ".join(lines["reason"].iloc[:2])
        more = f" And {len(lines) - 2} more." if len(lines) > 2 else ""
        out.append(f"{str(kind).replace('_', ' ').capitalize()} ({len(lines)}): {first}{more}")
    return [*out, *visit_notes(tied)]


def visit_notes(tied: Ties) -> list[str]:
    """A sentence on plots with several visits, for a count of all photos pools them."""
    visits = tied.ties[(tied.ties["tied_by"] != "") & (tied.ties["visit"] != "")].groupby("plot")["visit"].nunique()
    pooled = [str(plot) for plot, n in visits.items() if n > 1]
    if pooled:
        return [
            f"{plural(len(pooled), 'plot')} ({', '.join(pooled[:3])}{' ...' if len(pooled) > 3 else ''}) "
            "have photos of several visits, and plots.csv pools them: for one day's stand count with --visit."
        ]
    return []


def headline(tied: Ties) -> str:
    """How many photos are tied to how many plots, and by what."""
    ways = tied.ties["tied_by"]
    found = ways[ways != ""]
    by = ", ".join(f"{n} by {_WORDS[str(way)]}" for way, n in found.value_counts(sort=False).items())
    plots = tied.ties.loc[ways != "", "plot"].nunique()
    tail = f" ({by})" if by else ""
    return f"{len(found)} of {plural(len(ways), 'photo')} are tied to {plural(plots, 'plot')}{tail}."


_WORDS = {
    "plots_csv": "plots.csv",
    "label": "plot label",
    "file_name": "file name",
    "time": "time",
    "gps": "position",
}
