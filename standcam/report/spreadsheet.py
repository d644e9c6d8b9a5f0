"""The tables as one workbook (xlsx), for those who live in a spreadsheet.

Texts are texts: none becomes a formula, whatever it begins with. Long tables are cut, for a workbook of a million lines
opens nowhere; the CSV files beside it hold all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from pathlib import Path
from typing import Any

from standcam import tables
from standcam.aside import Lines
from standcam.report import wording
from standcam.report.csv_tables import rounded

MOST_LINES = 20_000
"""Of one sheet; a line of plants takes some 0.1 ms."""
AT_ONCE = 2_000
"""Lines laid out together; bounds memory."""
_LONGEST_TEXT = 32_000  # a cell holds 32,767 characters
_SHEETS = (tables.ROWS, tables.PLOTS, tables.GAPS, tables.PLANTS, tables.PROBLEMS)
_TRIGGERS = tuple("=+-@\t\r")
_DESIGN_MEANING = "as given by the plot map, the survey, the tape file or the outlines of a strip's plots"
_OF_STRIPS = {
    "strip_row": ("", "number of the row in the whole strip"),
    "strip_from_cm": ("cm", "where the measured stretch begins on the strip's row"),
    "from_easting_m": ("m", "beginning of the stretch on the map"),
    "from_northing_m": ("m", "beginning of the stretch on the map"),
    "to_easting_m": ("m", "end of the stretch on the map"),
    "to_northing_m": ("m", "end of the stretch on the map"),
    "easting_m": ("m", "place of the plant on the map"),
    "northing_m": ("m", "place of the plant on the map"),
    "pass": ("", "pass of the planter, from the first row that was given or proposed"),
    "row_unit": ("", "row unit of the planter, 1 the leftmost looking the way it drove; or as given with the rows"),
}


def workbook(
    path: Path, lines: Mapping[str, Lines], summary: Sequence[tuple[str, Any, str]], notes: Sequence[str]
) -> None:
    """Write the workbook: sheets summary, rows, plots, gaps, plants, problems and columns.

    Parameters
    ----------
    path : path
        Where it goes.
    lines : mapping
        Table name to table: rows, plots, gaps, plants, problems. Further columns travel along.
    summary : sequence of (str, number or str, str)
        What, value, unit or remark: lines of the first sheet.
    notes : sequence of str
        Sentences below them.

    Raises
    ------
    OSError
        Disk full, or no rights.
    """
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    cut = [
        f"Sheet {t.name} holds the first {MOST_LINES} of {len(lines[t.name])} lines; {t.name}.csv holds all."
        for t in _SHEETS
        if len(lines[t.name]) > MOST_LINES
    ]
    told = [*summary, *((text, None, "") for text in (*cut, *notes))]
    _sheet(book, "summary", ("what", "value", "unit"), told, len(told), 3)
    meanings: list[tuple[str, str, str, str]] = []
    of_strip = "strip_row" in next(lines["rows"].parts())
    for table in _SHEETS:
        # the first part may be that of a table without lines
        names = [str(name) for name in rounded(table, next(lines[table.name].parts()).head(0)).columns]
        key = sum(name in ("photo", "plot", "row", "path") for name in names)
        count = min(len(lines[table.name]), MOST_LINES)
        _sheet(book, table.name, names, _shown(lines[table.name]), count, key)
        known = {c.name: c for c in table.columns}
        for name in names:
            column = known.get(name)
            unit, meaning = ("", _DESIGN_MEANING) if column is None else (column.unit, column.meaning)
            if column is None and of_strip:
                unit, meaning = _OF_STRIPS.get(name, (unit, meaning))
            meanings.append((table.name, name, unit, meaning))
    _sheet(book, "columns", ("sheet", "column", "unit", "meaning"), meanings, len(meanings), 2)
    book.save(path)


def _shown(lines: Lines) -> Iterator[tuple[Any, ...]]:
    for part in lines.head(MOST_LINES):
        for begin in range(0, len(part), AT_ONCE):
            some = rounded(lines.table, part.iloc[begin : begin + AT_ONCE])
            yield from some.itertuples(index=False, name=None)


def _sheet(
    book: Any, name: str, header: Sequence[str], lines: Iterable[Sequence[Any]], count: int, key_columns: int
) -> None:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(name)
    told = ([_value(v) for v in line] for line in lines)
    first = list(islice(told, 200))
    # in a write-only workbook these must be set before the first line
    sheet.freeze_panes = f"{get_column_letter(min(key_columns, 3) + 1)}2" if name != "summary" else "A2"
    for n, title in enumerate(header):
        longest = max((len(str(line[n])) for line in first if line[n] is not None), default=0)
        most = 100 if name in ("summary", "columns", "problems") else 32
        sheet.column_dimensions[get_column_letter(n + 1)].width = min(max(len(title), longest, 6), most) + 2
    heads = []
    for title in header:
        cell = _text_cell(sheet, title, WriteOnlyCell)
        cell.font, cell.alignment = Font(bold=True), Alignment(vertical="top")
        heads.append(cell)
    sheet.append(heads)
    for line in chain(first, told):
        sheet.append([_text_cell(sheet, v, WriteOnlyCell) if isinstance(v, str) and _risky(v) else v for v in line])
    if header:
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(header))}{count + 1}"


def _risky(text: str) -> bool:
    """Whether a spreadsheet would take the text for something else: a formula, or an error such as #N/A."""
    return text.startswith((*_TRIGGERS, "#"))


def _text_cell(sheet: Any, text: str, cell_type: Any) -> Any:
    cell = cell_type(sheet, value=text)
    cell.data_type = "s"
    # stays a text when somebody edits the cell
    cell.quotePrefix = True
    return cell


def _value(value: Any) -> Any:
    """What a cell can hold: numbers, truth values, sound texts; None where nothing is known."""
    if value is None:
        return None
    if isinstance(value, str):
        # a tab or a line break at the beginning is kept from being lost as a blank
        return wording.printable(value)[:_LONGEST_TEXT] or None
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    text = str(value)
    return None if text in ("<NA>", "NaT") else wording.printable(text)[:_LONGEST_TEXT]
