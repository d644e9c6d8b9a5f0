"""The plot map: which row unit, treatment and block each photo, plot or row belongs to.

A CSV with one line a plot (or photo, or row)::

    plot,row,row_unit,treatment,block,speed_kmh
    north-3,1,4,disc A,1,8.0

At least one of ``photo``, ``plot`` and ``row`` must be there to tie lines to measured rows; a map that names
only some of them holds for all rows that share those. All further columns travel along, as numbers where all
of a column are numbers; where semicolons or tabs part the columns, a decimal comma is fine.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import tables
from standcam.errors import PlotMapMismatch
from standcam.small_csv import read_small_csv

KEYS = ("photo", "plot", "row")
DESIGN = ("row_unit", "treatment", "block")
_OTHER_NAMES = {
    "unit": "row_unit", "planter_unit": "row_unit", "rowunit": "row_unit", "planter_row": "row_unit",
    "rep": "block", "replicate": "block", "replication": "block", "blk": "block",
    "treat": "treatment", "trt": "treatment", "variant": "treatment", "setting": "treatment",
    "plot_id": "plot", "plot_no": "plot", "picture": "photo", "file": "photo",
}  # fmt: skip


def read_plot_map(path: str | Path) -> pd.DataFrame:
    """Read a plot map.

    Returns
    -------
    DataFrame
        Columns as in the file under their usual names (photo, plot, row_unit, treatment and block as text, row
        as integer), further ones as numbers where they all are.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read, names nothing to tie its lines to, or names one thing twice; all mistakes in
        one message, by line.
    """
    frame, wrong = read_lines(path)
    if wrong:
        raise PlotMapMismatch(f"Plot map {path}: " + "; ".join(wrong) + ".", "Mend the file.")
    return frame.reset_index(drop=True)


def read_lines(
    path: str | Path,
    what: str = "Plot map",
    identity: Sequence[str] = KEYS,
    texts: Collection[str] = (*KEYS, *DESIGN),
) -> tuple[pd.DataFrame, list[str]]:
    """Lines of a plot map that can be used, and in words what is wrong with the others.

    Parameters
    ----------
    path : path
    what : str
        Name of such a file at the beginning of a sentence.
    identity : sequence of str
        Columns of which no two lines may have all alike.
    texts : collection of str
        Columns that are never numbers.

    Returns
    -------
    frame : DataFrame
        As :func:`read_plot_map` gives it; its index is the number of the line in the file.
    wrong : list of str
        Empty when nothing is.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read or is empty.
    """
    path = Path(path)
    sheet = read_small_csv(path, what, PlotMapMismatch, "Write a header such as plot,treatment,block.")
    # spreadsheets leave empty rows behind
    lines = [(n, cells) for n, cells in sheet.lines if any(cells)] or sheet.lines
    header = [column_name(cell) for cell in lines[0][1]]
    while header and not header[-1]:  # and empty columns
        header.pop()
    wrong = [f"column {n} has no name" for n, name in enumerate(header, 1) if not name]
    wrong += [f"column {name!r} occurs twice" for name in dict.fromkeys(header) if name and header.count(name) > 1]
    wrong += [
        f"column {name!r} has the name of a measured one; name it otherwise"
        for name in dict.fromkeys(header)
        if name in tables.ROWS.names and name not in KEYS
    ]
    keys = [key for key in KEYS if key in header]
    if not keys:
        wrong.append("no column photo, plot or row ties its lines to measured rows")
    elif len(lines) == 1:
        wrong.append("it has a header and no lines")
    told = [key for key in identity if key in header]
    records: list[dict[str, str | int | None]] = []
    numbers: list[int] = []
    seen: dict[tuple[str | int | None, ...], int] = {}
    for number, cells in lines[1:]:
        while len(cells) > len(header) and not cells[-1]:
            cells.pop()
        if len(cells) > len(header):
            wrong.append(f"line {number} has {len(cells)} cells, the header {len(header)}")
            continue
        record: dict[str, str | int | None] = dict(zip(header, cells + [""] * (len(header) - len(cells)), strict=True))
        if "row" in record:
            try:
                # spreadsheets write 1.0 where a column has empty cells
                record["row"] = int(str(record["row"]).removesuffix(".0")) if record["row"] else None
            except ValueError:
                wrong.append(f"line {number}: row {record['row']!r} is no whole number")
                continue
        key = tuple(record[k] for k in told)
        if all(record[k] in ("", None) for k in keys):
            wrong.append(f"line {number} names no {', '.join(keys)}")
        elif key in seen:
            wrong.append(f"line {number} repeats line {seen[key]} ({_said(dict(zip(told, key, strict=True)))})")
        else:
            seen[key] = number
            records.append(record)
            numbers.append(number)
    header = list(dict.fromkeys(name for name in header if name and (name in KEYS or name not in tables.ROWS.names)))
    frame = pd.DataFrame(records, columns=header, index=pd.Index(numbers, dtype="int64"))
    if "row" in frame:
        frame["row"] = frame["row"].astype("Int64")
    for name in header:
        if name != "row" and name not in texts:
            written = frame[name] if sheet.delimiter == "," else frame[name].str.replace(",", ".", regex=False)
            values = pd.to_numeric(written.replace("", np.nan), errors="coerce")
            if not (values.isna() & (frame[name] != "")).any():
                frame[name] = values
        elif name != "row":
            frame[name] = frame[name].astype("str")
    return frame, wrong


def join_plot_map(rows: pd.DataFrame, plot_map: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Rows with what the plot map says of them, and sentences on what did not fit.

    Lines tie by all of photo, plot and row that the map has; a cell left empty there fits any, and the line
    with the most cells filled wins; of two with as many, the one by photo before the one by plot, with a note. Rows
    without a line keep empty cells; lines without rows are told of.

    Parameters
    ----------
    rows : DataFrame
        Any table with photo, plot and row: ROWS, GAPS, PLANTS.
    plot_map : DataFrame
        From :func:`read_plot_map`.

    Returns
    -------
    rows : DataFrame
        As given, columns of the map behind; a column that the rows had already is replaced.
    notes : list of str
        Empty when all rows and all lines have found each other.
    """
    keys = [key for key in KEYS if key in plot_map]
    names = [name for name in plot_map if name not in KEYS]
    unique = rows[["photo", "plot", "row"]].drop_duplicates()
    best = np.full(len(unique), -1)
    depth = np.full(len(unique), -1)
    used = np.zeros(len(plot_map), bool)
    filled = np.stack([(plot_map[k].notna() & (plot_map[k].astype("str") != "")).to_numpy(bool) for k in keys], axis=1)
    torn = np.zeros(len(unique), bool)
    for pattern in sorted({tuple(line) for line in filled.tolist()}, reverse=True):
        part = [k for k, is_filled in zip(keys, pattern, strict=True) if is_filled]
        lines = np.flatnonzero((filled == np.array(pattern)).all(axis=1))
        index = {tuple(_key(plot_map[k].iloc[i]) for k in part): int(i) for i in lines}
        found = np.array(
            [index.get(tuple(_key(v) for v in key), -1) for key in unique[part].itertuples(index=False)], int
        )
        used[found[found >= 0]] = True
        better = (found >= 0) & (len(part) > depth)
        torn = (torn & ~better) | ((found >= 0) & (len(part) == depth))
        best[better], depth[better] = found[better], len(part)
    line_of = {tuple(k): b for k, b in zip(unique.itertuples(index=False), best, strict=True)}
    at = np.array([line_of[tuple(k)] for k in rows[["photo", "plot", "row"]].itertuples(index=False)], int)
    out = rows.drop(columns=[n for n in names if n in rows]).reset_index(drop=True)
    for name in names:
        column = plot_map[name].iloc[np.maximum(at, 0)].reset_index(drop=True)
        out[name] = column.where(at >= 0, "" if column.dtype == "str" or column.dtype == object else np.nan)
    notes = []
    if torn.any():
        notes.append(
            f"Two lines of the plot map fit {torn.sum()} of {len(unique)} rows equally well, and one was taken: "
            + _list([_said(dict(zip(KEYS, k, strict=True))) for k in unique[torn].itertuples(index=False)])
        )
    lost = unique[best < 0]
    if len(lost):
        notes.append(
            f"{len(lost)} of {len(unique)} rows are not in the plot map: "
            + _list([_said(dict(zip(KEYS, k, strict=True))) for k in lost.itertuples(index=False)])
        )
    idle = plot_map.loc[~used, keys]
    if len(idle):
        notes.append(
            f"{len(idle)} of {len(plot_map)} lines of the plot map fit no row: "
            + _list([_said(dict(zip(keys, k, strict=True))) for k in idle.itertuples(index=False)])
        )
    return out, notes


def column_name(cell: str) -> str:
    """The usual name of a column, whatever its spelling."""
    name = "_".join(cell.strip().lower().replace("-", " ").split())
    return _OTHER_NAMES.get(name, name)


def _key(value: object) -> str:
    # one disk writes an accent as a letter of its own and another does not; people see one name
    return unicodedata.normalize("NFC", str(value).strip())


def _said(key: dict[str, object]) -> str:
    return ", ".join(f"{name} {value}" for name, value in key.items() if str(value) not in ("", "<NA>", "None"))


def _list(things: list[str], most: int = 5) -> str:
    more = f" and {len(things) - most} more" if len(things) > most else ""
    return "; ".join(things[:most]) + more + "."
