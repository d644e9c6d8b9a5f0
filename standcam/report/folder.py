"""A results folder read back, and folders of the commands that work on one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from standcam import tables, trust
from standcam.aside import Lines
from standcam.errors import BadResults, BadSettings
from standcam.files import read_file
from standcam.report.csv_tables import read_table
from standcam.report.results import RUN, ResultsWriter
from standcam.settings import Settings
from standcam.settings_file import settings_from_dict
from standcam.tables import BadTable

if TYPE_CHECKING:
    from standcam.report.html_run import Run
from standcam.spacing.edits import EDITS, Edited, EditsFile, Tally, apply_edits, parse_edits

MOST_MAP_BYTES = 50_000_000


@dataclass(frozen=True)
class Results:
    """What ``count``, ``tape`` or ``strip`` wrote, edited by hand since, less the rows that they left out."""

    folder: Path
    plants: pd.DataFrame
    """PLANTS; columns of a tape file beyond the register travel behind."""
    gaps: pd.DataFrame
    """GAPS, open ends included."""
    rows: pd.DataFrame
    """ROWS"""
    plots: pd.DataFrame
    """PLOTS"""
    settings: Settings
    """Of that run."""
    run: dict[str, Any]
    """Its run.json."""
    left_out: pd.DataFrame
    """ROWS that are in none of the tables above, for want of trust."""
    notes: tuple[str, ...]
    """These rows in sentences, after what was edited by hand."""
    edits: Tally = field(default_factory=Tally)
    """What was edited by hand (``standcam review``) and is in the tables above."""
    raw_rows: pd.DataFrame | None = None
    """ROWS as they were before the edits; None where nothing was edited."""
    raw_plots: pd.DataFrame | None = None
    """PLOTS before the edits."""


def read_edits(folder: str | Path) -> EditsFile:
    """Edits by hand of a results folder; none where there is no file of them.

    Raises
    ------
    BadResults
        There is one, and it cannot be read.
    """
    path = Path(folder) / EDITS
    try:
        return parse_edits(path.read_bytes())
    except FileNotFoundError:
        return EditsFile()
    except OSError as error:
        raise BadResults(
            f"{path} cannot be read: {error.strerror or error}.",
            "Check the rights, or add --raw to leave edits by hand aside.",
        ) from None


def read_results(folder: str | Path, edited: bool = True) -> Results:
    """Read a results folder, with the edits by hand laid over what was found.

    Parameters
    ----------
    folder : path
    edited : bool
        False leaves the edits aside and gives what was found.

    Raises
    ------
    BadResults
        There are no results in it, or all rows were left out.
    BadTable
        A table is missing or damaged.
    """
    folder = Path(folder)
    run, settings = read_record(folder)
    frames = {
        table.name: read_table(folder, table) for table in (tables.PLANTS, tables.GAPS, tables.ROWS, tables.PLOTS)
    }
    if (frames["rows"]["status"] == tables.NO_STEMS).any():
        raise BadResults(
            f"{folder} tells of rows and bare stretches only: the pixels were too coarse to find plants in.",
            "Fly lower, for 10 mm a pixel or finer, or count plants by photos or tape.",
        )
    laid, told = lay_edits(folder, frames, settings, edited)
    raw = frames
    if laid:
        frames = {"plants": laid.plants, "gaps": laid.gaps, "rows": laid.rows, "plots": laid.plots}
    rows, plots = frames["rows"], frames["plots"]
    kept, bar = trust.kept(rows), settings.statistics.min_trust
    if len(rows) and not kept.any():
        raise BadResults(
            f"All rows of {folder} ({len(rows)}) were left out: their trust is below {bar}.",
            "Count again with a lower --min-trust, or photograph the rows anew; rows.csv says what was doubted.",
        )
    return Results(
        folder,
        trust.of_kept(frames["plants"], rows),
        trust.of_kept(frames["gaps"], rows),
        rows[kept].reset_index(drop=True),
        plots[plots["status"] != trust.LEFT_OUT].reset_index(drop=True),
        settings,
        run,
        rows[~kept].reset_index(drop=True),
        (*told, *trust.left_out_notes(rows, bar)),
        laid.tally if laid else Tally(),
        raw["rows"] if laid else None,
        raw["plots"] if laid else None,
    )


def read_run(
    folder: str | Path,
    plot_map: str | Path | None = None,
    units: str | None = None,
    visits: str | Path | None = None,
) -> Run:
    """Read a results folder for its report: all rows, those left out too, and the marked photos.

    Parameters
    ----------
    folder : path
    plot_map : path, optional
        Ties rows to row units, treatments, blocks and places in the field.
    units : str, optional
        si or us, in place of those of the run.
    visits : path, optional
        What ``standcam visits`` wrote; without it, what lies in the folder or in ``visits`` of it.

    Raises
    ------
    BadResults, BadTable
        As :func:`read_results`, but all rows may be left out.
    PlotMapMismatch
        The plot map cannot be read.
    """
    from standcam.report.html_run import Run
    from standcam.report.results import marked_photo

    folder = Path(folder)
    run, settings = read_record(folder)
    frames = {
        table.name: read_table(folder, table)
        for table in (tables.PLANTS, tables.GAPS, tables.ROWS, tables.PLOTS, tables.PROBLEMS)
    }
    raw = dict(frames)
    laid, told = lay_edits(folder, frames, settings)
    if laid:
        frames |= {"plants": laid.plants, "gaps": laid.gaps, "rows": laid.rows, "plots": laid.plots}
    plants, gaps, plots = (Lines.of(t, frames.pop(t.name)) for t in (tables.PLANTS, tables.GAPS, tables.PLOTS))
    rows, notes = with_design(frames["rows"], plants, plot_map)
    more, faults = _further_tables(folder, None if visits is None else Path(visits))
    return Run(
        plants=plants,
        gaps=gaps,
        plots=plots,
        rows_lines=Lines.of(tables.ROWS, rows),
        problems=frames["problems"],
        settings=settings.replace("output", units=units),
        record=run,
        name=folder.resolve().name,
        notes=[*told, *notes, *faults],
        picture=lambda name: marked_photo(folder, name),
        raw_rows=raw["rows"] if laid else None,
        raw_gaps=Lines.of(tables.GAPS, raw["gaps"]) if laid else None,
        strip_map=_strip_map(folder),
        **more,
    )


def _further_tables(folder: Path, visits: Path | None) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """What was joined and what came up when, by the names that a report takes them; and what could not be read.

    Raises
    ------
    BadResults, BadTable
        The folder of visits was named and holds none.
    """
    from standcam.chain.register import CHAINS, SEAMS
    from standcam.visits.register import DAYS, EMERGENCE

    places = [folder, folder / "visits"] if visits is None else [visits]
    at = next((p for p in places if (p / f"{EMERGENCE.name}.csv").is_file()), None)
    if visits is not None and at is None:
        raise BadResults(
            f"{visits} holds no {EMERGENCE.name}.csv.", "Name the folder that standcam visits wrote (--visits)."
        )
    found, faults = {}, []
    for home, table in ((folder, CHAINS), (folder, SEAMS), (at, EMERGENCE), (at, DAYS)):
        if home is None or not (home / f"{table.name}.csv").is_file():
            continue
        try:
            found[table.name] = read_table(home, table)
        except BadTable as error:  # the report is worth more than one section of it
            faults.append(f"Left out of the report: {error.reason}")
    return found, faults


def _strip_map(folder: Path) -> bytes | None:
    """Map of a drone strip, where the results hold one that can be read."""
    from standcam.report.strip_map import STRIP_MAP

    try:
        return read_file(folder / STRIP_MAP, MOST_MAP_BYTES)
    except OSError:
        return None


def read_record(folder: Path) -> tuple[dict[str, Any], Settings]:
    """run.json of a results folder, and the settings of that run; BadResults where there is none."""
    try:
        run = json.loads((folder / RUN).read_text(encoding="utf-8"))
        return run, settings_from_dict(run["settings"], str(folder / RUN))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, BadSettings) as error:
        raise BadResults(
            f"{folder} holds no results of a count that can be read: {error}.",
            "Name the folder that standcam count, tape or strip wrote.",
        ) from None


def lay_edits(
    folder: Path, frames: Mapping[str, pd.DataFrame], settings: Settings, edited: bool = True
) -> tuple[Edited | None, tuple[str, ...]]:
    """Raw tables of a folder with its edits by hand laid over them, None where these change nothing; and notes."""
    if not edited:
        aside = (folder / EDITS).exists()
        return None, (f"Edits by hand in {EDITS} are left aside, as asked for.",) if aside else ()
    file = read_edits(folder)
    if not file.edits:
        return None, file.notes
    tables_of = {name: frames[name] for name in ("plants", "gaps", "rows", "plots")}
    laid = apply_edits(**tables_of, edits=file.edits, spacing=settings.spacing, statistics=settings.statistics)
    before, after = int(frames["rows"]["plants"].sum()), int(laid.rows["plants"].sum())
    change = (f"As found: {before} plants; with the edits by hand: {after}.",) if laid.tally.edited else ()
    return laid if laid.tally.rows else None, (*laid.tally.sentences(), *change, *file.notes)


def with_design(
    rows: pd.DataFrame, plants: pd.DataFrame | Lines, plot_map: str | Path | None
) -> tuple[pd.DataFrame, list[str]]:
    """Rows with row unit, treatment, block and whatever else is known of them, and notes on what did not fit.

    From the plot map if one is named; else from the further columns of a tape file, where they are the same
    for all readings of a row. Row unit, treatment and block that are not stay empty for that row, with a note.

    Raises
    ------
    PlotMapMismatch
        The plot map cannot be read.
    """
    from standcam.stand.plotmap import DESIGN, join_plot_map, read_plot_map

    if plot_map is not None:
        return join_plot_map(rows, read_plot_map(plot_map))
    # rows of a tape bring their constant columns themselves, also where no plant stands
    told: list[pd.DataFrame] = []
    torn: dict[str, int] = {}
    first: dict[str, str] = {}
    keys = ["photo", "plot", "row"]
    for part in Lines.of(tables.PLANTS, plants).parts():
        extra = [name for name in part if name not in tables.PLANTS.names and name not in rows]
        if not extra or not len(part):
            continue
        grouped = part.groupby(keys, sort=False)
        known = part.drop_duplicates(keys)[keys].reset_index(drop=True)
        for name in extra:
            values = grouped[name].unique()
            differs = values.map(len).to_numpy() > 1
            known[name] = [kinds[0] if len(kinds) == 1 else "" for kinds in values]
            torn[name] = torn.get(name, 0) + int(differs.sum())
            if differs.any() and name not in first:
                (photo, plot, row), kinds = next((key, v) for key, v in values.items() if len(v) > 1)
                said = ", ".join(repr(str(kind)) for kind in kinds)
                first[name] = f"Column {name} differs within {photo}, plot {plot}, row {row} ({said})"
        told.append(known)
    if not told:
        return rows, []
    names = [name for name in torn if not torn[name] or name in DESIGN]
    notes = [
        f"{first[name]}{f' and {torn[name] - 1} more rows' if torn[name] > 1 else ''}: left empty."
        for name in names
        if torn[name]
    ]
    return rows.merge(pd.concat(told, ignore_index=True)[[*keys, *names]], on=keys, how="left"), notes


def write_folder(out: str | Path, files: Mapping[str, bytes | str], run: dict[str, Any], force: bool = False) -> Path:
    """Write files of a command and its run.json as one folder: whole or not at all, never over results unasked.

    Parameters
    ----------
    out : path
        Folder.
    files : mapping
        File name to content; tables as :func:`standcam.report.csv_tables.csv_text` gives them.
    run : dict
        From :func:`standcam.report.run_file.run_record`.
    force : bool
        Replace results that the folder holds.

    Raises
    ------
    ResultsExist, UnwritableResults
    """
    with ResultsWriter(out, force) as writer:
        return writer.finish_files(files, run)
