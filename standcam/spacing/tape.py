r"""Hand tape counts: readings from a tape laid along a row become the same positions that a photo gives.

A tape file is a CSV with one reading a line, and a header that says what the readings are::

    # row_length_cm: 600
    plot, row, position_cm
    north-3, 1, 4.5
    north-3, 1, 22.0

Readings are running positions (``position_cm``) or gaps between neighbours (``gap_in``); mm, cm, m, inches,
feet, or feet and inches as ``3'4 1/2"``. A column ``plants`` with a ``row_length`` gives bare counts, one line
a row: population, and no spacing. Commas, semicolons or tabs part the columns; a decimal comma is fine.
Columns for plot and row may be left out, stand in any order and go by their usual other names. In the wide
layout each row has a column of its own, headed ``row 1``, ``row 2``. A row without plants is the word ``none``
and its row length. Remarks stand in brackets behind a reading; ``34.5 (late)`` marks a late plant. Further
columns travel with the positions, and with the rows where they are the same all along each row.

Lines that begin with ``#`` are comments. Some are read: ``row_length_cm`` (any unit), ``unit``, ``tape_from``
and ``tape_to`` (what the tape reads at the two ends of the measured length), ``readings`` (positions, gaps or
counts, where headings leave it open).

Nothing is guessed and nothing is dropped: a file with mistakes is refused, all of them named by line. What can
be read and is odd is told in a note.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import tables
from standcam.errors import BadTape
from standcam.spacing.readings import Reading, as_unit, split_header, split_remark
from standcam.spacing.tape_checks import Read
from standcam.spacing.tape_columns import DESIGN, ROLE, Column, attribute_of, guess_kind, kind_named, read_header
from standcam.spacing.tape_rows import TapeRow, check_row, tables_of, typed_twice
from standcam.spacing.tape_text import cells_of, gathered, sentence, text_of

_PICTURE_ENDING = re.compile(r"\.(jpe?g|png|tiff?|hei[cf])$", re.IGNORECASE)
_NO_PLANTS = {"none", "no plants", "no plant", "0 plants", "nil", "empty"}
_SHEET_ERROR = re.compile(r"#(?:REF!|VALUE!|N/A|NAME\?|DIV/0!|NUM!|NULL!|#+)\s*(?:[,;\t]|$)")
_LINES_ABOVE = 25  # headings are looked for no further down
_MAX_COUNT = 100_000
_MOST_MISTAKES = 100  # are listed


@dataclass(frozen=True)
class TapeFile:
    """What a tape file holds."""

    positions: pd.DataFrame
    """POSITIONS, and behind them the file's further columns as text."""
    stretches: pd.DataFrame
    """STRETCHES, and behind them those further columns that are the same all along each row."""
    notes: tuple[str, ...]
    """What was read and should be looked at, by line."""


def read_tape(path: str | Path, unit: str | None = None, photo: str | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Positions and stretches of a tape file; see :func:`read_tape_file`."""
    file = read_tape_file(path, unit, photo)
    return file.positions, file.stretches


def read_tape_file(path: str | Path, unit: str | None = None, photo: str | None = None) -> TapeFile:
    """Read a tape file.

    Where the file gives the length of row that the tape covered, positions count from the start of that
    length (or from what ``tape_from`` says the tape reads there). A gap list does not tell where on the length
    its plants stand; what it leaves over is put half before the first plant and half behind the last.

    Where it does not, the row runs from plant to plant. Plants divided by that span are too many: n plants
    bound n - 1 gaps. Half a mean gap is therefore added at each end, which makes plants per length ``(n - 1)
    / span``, one over the mean gap; the stretch is flagged ``ends_at_plants``. The mean gap is unbiased; its
    inverse is high by about ``CV² / (n - 1)``, 1 % for 17 plants with a CV of 40 %. A single plant without a
    length has no density.

    A bare count gives a stretch of status ``counted`` and no positions.

    Parameters
    ----------
    path : path
        CSV file.
    unit : str, optional
        Unit of bare numbers where the file names none: mm, cm, m, in or ft.
    photo : str, optional
        Name of the file in the tables; its own name unless given. The plot is the file's name without ending
        where no column tells it.

    Raises
    ------
    BadTape
        The file cannot be read, or has mistakes: all are listed with their lines.
    """
    path = Path(path)
    return _Reader(path, photo or path.name, unit).file()


def plants_from_tape(positions: pd.DataFrame) -> pd.DataFrame:
    """PLANTS of a tape: every reading is a crop plant, and no pixel shows it."""
    return tables.conform(tables.PLANTS, positions.drop(columns="source").assign(is_crop=True, crop_probability=1.0))


class _Reader:
    """One pass over the file, gathering rows and mistakes."""

    def __init__(self, path: Path, photo: str, unit: str | None) -> None:
        self.path, self.photo, self.unit = path, photo, unit
        self.mistakes: list[tuple[int, str]] = []
        self.notes: list[tuple[int, str]] = []
        self.rows: dict[tuple[str, int], TapeRow] = {}
        self.ends: dict[str, tuple[int, float]] = {}
        """Row length and ends of the tape that hold for all rows."""
        self.kind = ""
        self.above: dict[str, tuple[int, str]] = {}
        """Plot and row of the line above."""
        self._read(text_of(path))
        self._check_rows()
        if self.mistakes:
            count = "1 mistake" if len(self.mistakes) == 1 else f"{len(self.mistakes)} mistakes"
            listed = " ".join(f"Line {line}: {sentence(text)}" for line, text in sorted(self.mistakes)[:_MOST_MISTAKES])
            if len(self.mistakes) > _MOST_MISTAKES:
                listed += f" And {len(self.mistakes) - _MOST_MISTAKES} more."
            raise BadTape(f"{photo} has {count}. {listed}", "Mend the file; nothing of it was used.")
        if not self.rows:
            raise BadTape(f"{photo} holds no readings.", "Write one reading a line below the header.")

    def _wrong(self, line: int, text: str) -> None:
        self.mistakes.append((line, text))

    # ---- lines

    def _read(self, text: str) -> None:
        delimiter = None
        body: list[tuple[int, str]] = []
        comments: list[tuple[int, str]] = []
        for number, line in enumerate(re.split(r"\r\n|\n|\r", text), 1):
            bare = line.strip().strip('"').strip()
            broken = bool(body) and _SHEET_ERROR.match(bare)  # a cell that a spreadsheet could not show
            if bare.startswith("#") and not broken and not (self._heads(bare) and not body):
                comments.append((number, bare.lstrip("#").strip(" \t,;")))
            elif number == 1 and (found := re.fullmatch(r"sep=([,;|\t])", line)):
                delimiter = found[1]
            elif line.strip(" \t\r\n,;"):
                body.append((number, line))
        if not body:
            raise BadTape(f"{self.photo} holds no readings.", "Write a header, and one reading a line below it.")
        body, delimiter = self._find_header(body, delimiter, comments)
        for number, comment in comments:
            self._unit_comment(number, comment)
        for number, comment in comments:
            self._length_comment(number, comment)
        lines = [(number, cells_of(line, delimiter)) for number, line in body[1:]]
        if lines and self._units_below(lines[0][1]):
            lines = lines[1:]
        if self.header.wide:
            self._settle_kind(body[0][0], lines)
        self.value = Reading(self._unit_of())
        if self.kind:
            for number, cells in lines:
                self._line(number, cells, delimiter)
            for number, problem in self.value.file_problems(body[0][0]):
                self._wrong(number, problem)
        if self.rows or len(body) > 1 or self.mistakes:
            return
        if "row_length" not in self.ends or self.kind != "position" or self.header.wide:
            raise BadTape(f"{self.photo} holds a header and no readings.", "Write one reading a line below it.")
        self.rows[self.path.stem, 1] = TapeRow(self.path.stem, 1)

    def _heads(self, bare: str) -> bool:
        """Whether a line that begins with # is a header whose first column is called so."""
        cells = re.split(r"[\t;,]", bare)
        return cells[0].strip() == "#" and (found := read_header(cells[1:])) is not None and bool(found.columns)

    def _find_header(
        self, body: list[tuple[int, str]], delimiter: str | None, comments: list[tuple[int, str]]
    ) -> tuple[list[tuple[int, str]], str]:
        """Body from its header on; lines above it become comments, and those not understood are told of."""
        found = None
        for i, (line, text) in enumerate(body[:_LINES_ABOVE]):
            own = delimiter or _delimiter(text)
            header = read_header(cells_of(text, own))
            if header is not None:
                found = i, line, own, header
                break
        if found is None:
            raise BadTape(
                f"{self.photo}, line {body[0][0]}: no column is a running position or a gap, and none counts plants.",
                "Begin with a header such as plot,row,position_cm or plot,row,gap_in or plot,row,plants,row_length_m.",
            )
        i, line, own, header = found
        for number, above in body[:i]:
            cells = [c.strip() for c in cells_of(above, delimiter or _delimiter(above)) if c.strip()]
            comments.append((number, ": ".join(cells) if len(cells) == 2 and ":" not in cells[0] else " ".join(cells)))
            if not self._understood(comments[-1][1]):
                self.notes.append((number, f"{above.strip()!r} stands above the headings and is taken as a remark"))
        self.header, self.kind = header, header.kind
        for problem in header.problems:
            self._wrong(line, problem)
        return body[i:], own

    @staticmethod
    def _understood(comment: str) -> bool:
        name = split_header(re.split("[:=]", comment)[0])[0]
        return ROLE.get(name) in ("row_length", "tape_from", "tape_to", "unit") or name in ("reading", "readings")

    def _unit_comment(self, line: int, text: str) -> None:
        found = re.fullmatch(r"(units?|readings?)\s*[:=]\s*(\S.*)", text, re.IGNORECASE)
        if not found:
            return
        if found[1].lower().startswith("unit"):
            try:
                self.unit = as_unit(found[2])
            except ValueError as error:
                self._wrong(line, str(error))
            return
        kind = kind_named(found[2])
        if kind is None:
            self._wrong(line, f"readings {found[2]!r} are none of positions, gaps and counts")
        elif self.kind not in ("", kind):
            self._wrong(line, f"readings are called {found[2]} here, and otherwise in the headings")
        else:
            self.kind = kind

    def _length_comment(self, line: int, text: str) -> None:
        found = re.fullmatch(r"([^:=]+)[:=]\s*(\S.*)", text)
        if not found:
            return
        name, unit = split_header(found[1])
        role = ROLE.get(name, "")
        if role not in ("row_length", "tape_from", "tape_to") or name == "length":  # that may speak of anything
            return
        words = role.replace("_", " ")
        value = self._measure(line, found[2], unit, words)
        if value is not None and role in self.ends and abs(value - self.ends[role][1]) > 1e-9:
            self._wrong(line, f"a second {words}, unlike that of line {self.ends[role][0]}")
        elif value is not None:
            self.ends[role] = (line, value)

    def _units_below(self, cells: list[str]) -> bool:
        """Whether the line below the headings holds nothing but their units; they are taken from there."""
        named = {i: cell.strip() for i, cell in enumerate(cells[: len(self.header.columns)]) if cell.strip()}
        try:
            units = {i: as_unit(cell) for i, cell in named.items()}
        except ValueError:
            return False
        columns = [
            replace(c, unit=units[i]) if i in units and c.unit is None else c for i, c in enumerate(self.header.columns)
        ]
        self.header = replace(self.header, columns=tuple(columns))
        return bool(units)

    def _unit_of(self) -> str | None:
        return self.header.unit_of("position", "gap", "reading") or self.unit

    def _settle_kind(self, line: int, lines: list[tuple[int, list[str]]]) -> None:
        """What the readings of a wide file are, where neither headings nor a comment say it."""
        if self.kind:
            return
        lines = [(number, cells) for number, cells in lines if self._attribute(cells) is None]
        columns: list[list[float]] = []
        for i, column in enumerate(self.header.columns):
            reading, values = Reading(self._unit_of() or "cm"), []
            for number, cells in lines:
                text = split_remark(cells[i].strip())[0] if column.role == "reading" and i < len(cells) else ""
                try:
                    values.append(reading.cm(text, number))
                except ValueError:
                    continue  # named later, when the kind is known
            columns.append(values)
        self.kind = guess_kind(columns) or ""
        if not self.kind:
            self._wrong(
                line,
                "these may be running positions, gaps or counts; say which in a line '# readings: positions' "
                "(or gaps, or counts)",
            )

    def _line(self, line: int, cells: list[str], delimiter: str) -> None:
        columns = self.header.columns
        if any(c.strip() for c in cells[len(columns) :]):
            hint = "; with a decimal comma, part columns by semicolons" if delimiter == "," else ""
            self._wrong(line, f"{len(cells)} values under {len(columns)} headings{hint}")
            return
        cells = [c.strip() for c in cells] + [""] * (len(columns) - len(cells))
        if self.header.wide:
            self._wide_line(line, list(zip(columns, cells, strict=False)))
            return
        value: dict[str, str] = {}
        extra: dict[str, str] = {}
        for column, cell in zip(columns, cells, strict=False):
            if column.role:
                value.setdefault(column.role, cell)  # a second column of one role: already a mistake
            else:
                self._further(line, column, cell, extra)
        if "unit" in value:
            self._unit_cell(value, extra)
        row = self._row(line, value)
        if row is not None:
            self._reading(line, row, value, extra)

    def _wide_line(self, line: int, filled: list[tuple[Column, str]]) -> None:
        if self._attribute_line(line, filled):
            return
        shared = {c.role: cell for c, cell in filled if c.role and c.role != "reading"}
        for column, cell in filled:
            if column.role != "reading":
                continue
            extra: dict[str, str] = {}
            for other, text in filled:
                if not other.role and other.row in (None, column.row):
                    self._further(line, other, text, extra)
            value = shared | {"row": str(column.row), self.kind: cell}
            row = self._row(line, value)
            if row is not None:
                self._reading(line, row, value, extra)

    def _attribute_line(self, line: int, filled: list[tuple[Column, str]]) -> bool:
        """A line that tells of its rows and not of plants: ``row length, 600, 600``."""
        told = self._attribute([cell for _, cell in filled])
        if told is None:
            return False
        role, unit = told
        for column, cell in filled[1:]:
            row = self._row(line, {"row": str(column.row)}) if column.role == "reading" and cell else None
            if row is not None and role in DESIGN.values():
                row.about.append({role: cell})
            elif row is not None:
                self._row_end(line, row, role, cell, unit)
        return True

    def _attribute(self, cells: list[str]) -> tuple[str, str | None] | None:
        labelled = bool(cells) and bool(cells[0]) and self.header.columns[0].role != "reading"
        return attribute_of(cells[0]) if labelled else None

    def _further(self, line: int, column: Column, cell: str, extra: dict[str, str]) -> None:
        if column.heading:
            extra[column.heading] = cell
        elif cell and not self.header.wide:
            self._wrong(line, f"{cell!r} stands under no heading")
        elif cell:
            extra["tape_plant"] = cell  # people number their lines

    def _unit_cell(self, value: dict[str, str], extra: dict[str, str]) -> None:
        """A column "unit" names the unit of its line, or else the unit of the planter."""
        cell = value.pop("unit")
        try:
            unit = as_unit(cell)
        except ValueError:
            extra.setdefault("row_unit", cell)
            return
        text = value.get(self.kind, "")
        if re.fullmatch(r"[\d.,/ -]+", text):
            value[self.kind] = f"{text} {unit}"

    def _row(self, line: int, value: dict[str, str]) -> TapeRow | None:
        plot, number = self.path.stem, 1
        if "plot" in value or "photo" in value:
            role = "plot" if "plot" in value else "photo"
            plot = self._or_above(line, role, value[role])
            plot = _PICTURE_ENDING.sub("", plot) if role == "photo" else plot
            if not plot:
                self._wrong(line, "the plot is missing")
                return None
        if "row" in value:
            text = self._or_above(line, "row", value["row"])
            found = re.fullmatch(r"(?:row|r)?[ _-]*0*([1-9]\d{0,8})(?:[.,]0+)?", text, re.IGNORECASE)
            if not found:
                self._wrong(line, f"row {text!r} is no whole number from 1" if text else "the row is missing")
                return None
            number = int(found[1])
        elif self.kind == "count":  # each line is a row
            number = 1 + sum(row.plot == plot for row in self.rows.values())
        return self.rows.setdefault((plot, number), TapeRow(plot, number))

    def _or_above(self, line: int, role: str, text: str) -> str:
        """A plot or row left empty, as merged cells leave it, is that of the line above."""
        if text:
            self.above[role] = (line, text)
            return text
        if (self.kind == "count" and role == "row") or role not in self.above:
            return text
        above, said = self.above[role]
        self.notes.append((line, f"{role} left empty, taken as {said} like line {above}"))
        return said

    def _reading(self, line: int, row: TapeRow, value: dict[str, str], extra: dict[str, str]) -> None:
        for role in ("row_length", "tape_from", "tape_to"):
            if value.get(role):
                self._row_end(line, row, role, value[role], self.header.unit_of(role))
        text = value.get(self.kind, "")
        if self.header.wide and not text:
            row.blank.append(line)
            return
        row.about.append(extra)
        if self.kind == "count":
            self._count(line, row, text)
        elif not text:
            row.blank.append(line)
        elif " ".join(text.lower().split()) in _NO_PLANTS:
            row.none.append(line)
        else:
            self._place(line, row, text, value.get("position_sd", ""), extra)

    def _place(self, line: int, row: TapeRow, text: str, sd: str, extra: dict[str, str]) -> None:
        bare, remark = split_remark(text)
        try:
            cm = self.value.cm(bare, line)
        except ValueError as error:
            self._wrong(line, str(error))
            return
        row.readings.append(Read(line, cm, bare))
        if remark.lower() == "late" and not extra.get("late"):
            extra = extra | {"late": "late"}
        row.extra.append(extra | ({"tape_note": remark} if remark else {}))
        unit = self.header.unit_of("position_sd")
        row.sd.append((self._measure(line, sd, unit, "position sd") if sd else None) or np.nan)

    def _count(self, line: int, row: TapeRow, text: str) -> None:
        bare, remark = split_remark(text)
        if " ".join(bare.lower().split()) in _NO_PLANTS:
            bare = "0"
        found = re.fullmatch(r"(\d{1,9})(?:[.,]0*)?(?:\s*plants?)?", bare.strip(), re.IGNORECASE)
        if row.count is not None:
            self._wrong(line, f"row {row.row} of plot {row.plot} again, as in line {row.count[0]}; typed twice?")
        elif not text:
            self._wrong(line, "no count; write 0 for a row without plants")
        elif not found or int(found[1]) > _MAX_COUNT:
            self._wrong(line, f"{text!r} is no whole number of plants")
        else:
            row.count = (line, int(found[1]))
            if remark:
                row.about[-1] = row.about[-1] | {"tape_note": remark}

    def _row_end(self, line: int, row: TapeRow, role: str, text: str, unit: str | None) -> None:
        words = role.replace("_", " ")
        value = self._measure(line, text, unit, words)
        if value is None:
            return
        if role in row.ends and abs(value - row.ends[role][1]) > 1e-9:
            self._wrong(line, f"{words} {text} is not that of line {row.ends[role][0]}, in the same row")
        else:
            row.ends.setdefault(role, (line, value))

    def _measure(self, line: int, text: str, own: str | None, what: str) -> float | None:
        """A length other than a reading, in its own unit, the one it is written in, or that of readings."""
        reading = Reading(own)
        try:
            cm = reading.cm(text, line)
            if reading.file_problems(line):  # a bare number under no unit of its own
                unit = self._unit_of()
                if unit is None:
                    raise ValueError(f"{text!r} has no unit")
                cm = Reading(unit).cm(text, line)
            if not cm > 0 and what != "tape from":
                raise ValueError(f"{text!r} is not above zero")
        except ValueError as error:
            self._wrong(line, f"{what}: {error}")
            return None
        return cm

    # ---- rows

    def _check_rows(self) -> None:
        if self.header.wide:
            self._leave_out_unused()
        for row in self.rows.values():
            mistakes, odd = check_row(row, self.kind, self.ends, self.header.wide)
            self.mistakes += mistakes
            self.notes += odd
        self.notes += typed_twice(list(self.rows.values()))

    def _leave_out_unused(self) -> None:
        """A column of a wide file that was ruled and not filled is no row without plants."""
        for key, row in list(self.rows.items()):
            if not (row.readings or row.none or row.count or self.mistakes):
                del self.rows[key]
                line = row.blank[0] if row.blank else 1
                text = f"row {row.row} of plot {row.plot} has no reading and is left out"
                self.notes.append((line, f"{text}; none says that no plant stands"))

    # ---- tables

    def file(self) -> TapeFile:
        """Tables and notes."""
        positions, stretches = tables_of(list(self.rows.values()), self.kind, self.ends, self.photo)
        notes = [f"{self.photo}, line {line}: {sentence(text)}" for line, text in sorted(self.notes)]
        return TapeFile(positions, stretches, tuple(gathered(notes)))


def _delimiter(line: str) -> str:
    return next((d for d in "\t;," if d in line), "\x1f")  # the last parts nothing
