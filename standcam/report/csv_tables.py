"""Tables of results as CSV: rounded by their units, formulas disarmed, and read back as they were."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from standcam import tables
from standcam.aside import Lines
from standcam.stand.plotmap import DESIGN
from standcam.tables import BadTable

_DECIMALS = {
    "px": 2, "cm": 3, "cm²": 3, "m": 3, "%": 2, "1/ha": 1, "1": 4,
    "1/acre": 1, "1/10 m²": 2, "1/0.001 acre": 2,
}  # fmt: skip
CELLS_AT_ONCE = 20_000
"""Cells that are made into text together, 100 bytes each; bounds memory."""
_PATH_COLUMNS = ("photo", "path")
_FORMULA = "=+\\-@\t\r\n＝＋－＠"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def csv_text(table: tables.Table, frame: pd.DataFrame) -> str:
    """A table as the text of its CSV: registered columns first, rounded by their units, formulas disarmed.

    Lengths keep hundredths of a millimetre and pixels hundredths: a hundred times finer than any photo tells.
    """
    return "".join(csv_parts(Lines.of(table, frame)))


def csv_parts(lines: Lines, at_once: int | None = None) -> Iterator[str]:
    """The same text in parts of so many lines at most: that of a long table takes more memory than the table."""
    table = lines.table
    # the writer quotes a line feed within a cell and not a carriage return, which readers take for the end of a line
    odd = any(_holds_carriage_return(part) for part in lines.parts())
    header = True
    for whole in lines.parts():
        frame = tables.conform(table, whole)
        step = at_once or max(1, CELLS_AT_ONCE // len(frame.columns))
        for begin in range(0, max(len(frame), 1), step):
            part = rounded(table, frame.iloc[begin : begin + step])
            for name in part.columns:
                if _holds_texts(part[name]):
                    part[name] = _disarmed(part[name], _prefix(name))
            yield part.to_csv(
                index=False,
                header=header,
                lineterminator="\n",
                quoting=csv.QUOTE_NONNUMERIC if odd else csv.QUOTE_MINIMAL,
            )
            header = False


def _holds_carriage_return(frame: pd.DataFrame) -> bool:
    return any("\r" in v for name in frame if _holds_texts(frame[name]) for v in _texts(frame[name]))


def _texts(column: pd.Series) -> set[str]:
    """Its texts, each once: most columns repeat a few of them from line to line."""
    return {v for v in set(column.tolist()) if isinstance(v, str)}


def _disarmed(column: pd.Series, prefix: str) -> Any:
    """The column with its texts disarmed."""
    changed = {v: safe for v in _texts(column) if (safe := disarm(v, prefix)) != v}
    return [changed.get(v, v) if isinstance(v, str) else v for v in column.tolist()] if changed else column


def _holds_texts(column: pd.Series) -> bool:
    return bool(pd.api.types.is_string_dtype(column) or column.dtype == object)


def rounded(table: tables.Table, frame: pd.DataFrame) -> pd.DataFrame:
    """A table as results files show it: registered columns first, numbers rounded by their units."""
    frame = tables.conform(table, frame)
    for column in table.columns:
        if column.dtype == "float64":
            frame[column.name] = frame[column.name].round(_DECIMALS.get(column.unit, 6)) + 0.0  # no "-0.0"
    return frame


def read_table(out: str | Path, table: tables.Table) -> pd.DataFrame:
    """Read one table of a results folder back, texts as they were before :func:`disarm`.

    Further columns are numbers where all of a column are; row unit, treatment and block stay as they were written,
    for "01" is no 1.

    Raises
    ------
    BadTable
        The file is missing or does not fit the register.
    """
    path = Path(out) / f"{table.name}.csv"
    text = {c.name: str for c in table.columns if c.dtype == "str"} | dict.fromkeys(DESIGN, str)
    try:
        frame = pd.read_csv(path, dtype=text, keep_default_na=False, na_values={
            c.name: [""] for c in table.columns if c.dtype != "str"
        })  # fmt: skip
    except FileNotFoundError:
        raise BadTable(f"{path} is missing.", "Name a folder that standcam wrote results to.") from None
    except (OSError, ValueError) as error:
        raise BadTable(f"{path} cannot be read: {error}.", "Make the results anew.") from None
    for name in frame:
        if pd.api.types.is_string_dtype(frame[name]):
            if name not in text and name not in table.names:
                numbers = pd.to_numeric(frame[name].replace("", None), errors="coerce")
                if numbers.notna().sum() == (frame[name] != "").sum() > 0:
                    frame[name] = numbers
                    continue
            frame[name] = [rearm(v, _prefix(name)) if isinstance(v, str) else v for v in frame[name]]
    return tables.conform(table, frame)


def _prefix(column: str) -> str:
    return "./" if column in _PATH_COLUMNS else "'"


def disarm(text: str, prefix: str = "'") -> str:
    """Keep spreadsheets from running a text as a formula.

    A cell that begins with ``= + - @``, tab or carriage return may be run when the CSV is opened (OWASP,
    "CSV Injection"). File names get ``./`` before them, which names the same file; other texts an
    apostrophe. Plain numbers stay as they are. :func:`rearm` takes the prefix off again, whatever the text
    was.
    """
    if _NUMBER.fullmatch(text) or not re.match(f"(?:{re.escape(prefix)})*[{_FORMULA}]", text):
        return text
    return prefix + text


def rearm(text: str, prefix: str = "'") -> str:
    """Undo :func:`disarm`."""
    return text.removeprefix(prefix) if re.match(f"(?:{re.escape(prefix)})+[{_FORMULA}]", text) else text
