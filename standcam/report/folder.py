"""A results folder read back, and folders of the commands that work on one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables, trust
from standcam.errors import BadResults, BadSettings
from standcam.report.results import RUN, ResultsWriter, read_table
from standcam.settings import Settings, settings_from_dict


@dataclass(frozen=True)
class Results:
    """What ``count``, ``tape`` or ``strip`` wrote, as they wrote it, less the rows that they left out."""

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
    """These rows in sentences."""


def read_results(folder: str | Path) -> Results:
    """Read a results folder.

    Raises
    ------
    BadResults
        There are no results in it, or all rows were left out.
    BadTable
        A table is missing or damaged.
    """
    folder = Path(folder)
    try:
        run = json.loads((folder / RUN).read_text(encoding="utf-8"))
        settings = settings_from_dict(run["settings"], str(folder / RUN))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, BadSettings) as error:
        raise BadResults(
            f"{folder} holds no results of a count that can be read: {error}.",
            "Name the folder that standcam count, tape or strip wrote.",
        ) from None
    frames = {
        table.name: read_table(folder, table)
        for table in (tables.PLANTS, tables.GAPS, tables.ROWS, tables.PLOTS)
    }
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
        trust.left_out_notes(rows, bar),
    )


def with_design(
    rows: pd.DataFrame, plants: pd.DataFrame, plot_map: str | Path | None
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
    extra = [name for name in plants if name not in tables.PLANTS.names and name not in rows]
    if not extra or not len(plants):
        return rows, []
    keys = ["photo", "plot", "row"]
    grouped = plants.groupby(keys, sort=False)
    known = plants.drop_duplicates(keys)[keys].reset_index(drop=True)
    notes = []
    for name in extra:
        values = grouped[name].unique()
        differs = values.map(len).to_numpy() > 1
        if differs.any() and name not in DESIGN:
            continue
        known[name] = [kinds[0] if len(kinds) == 1 else "" for kinds in values]
        if differs.any():
            (photo, plot, row), kinds = next((key, v) for key, v in values.items() if len(v) > 1)
            more = f" and {differs.sum() - 1} more rows" if differs.sum() > 1 else ""
            said = ", ".join(repr(str(kind)) for kind in kinds)
            notes.append(f"Column {name} differs within {photo}, plot {plot}, row {row} ({said}){more}: left empty.")
    return rows.merge(known, on=keys, how="left"), notes


def write_folder(out: str | Path, files: Mapping[str, bytes | str], run: dict[str, Any], force: bool = False) -> Path:
    """Write files of a command and its run.json as one folder: whole or not at all, never over results unasked.

    Parameters
    ----------
    out : path
        Folder.
    files : mapping
        File name to content; tables as :func:`standcam.report.results.csv_text` gives them.
    run : dict
        From :func:`standcam.report.results.run_record`.
    force : bool
        Replace results that the folder holds.

    Raises
    ------
    ResultsExist, UnwritableResults
    """
    with ResultsWriter(out, force) as writer:
        return writer.finish_files(files, run)
