r"""Hand tape counts: readings from a tape laid along a row become the same positions that a photo gives.

A tape file is a CSV with one reading a line, and a header that says what the readings are::

    # row_length_cm: 600
    plot, row, position_cm
    north-3, 1, 4.5
    north-3, 1, 22.0

Readings are running positions (``position_cm``) or gaps between neighbours (``gap_in``); mm, cm, m, inches,
feet, or feet and inches as ``3'4 1/2"``. Commas, semicolons or tabs part the columns; a decimal comma is
fine. Columns for plot and row may be left out, stand in any order and go by their usual other names. Further
columns travel with the positions. Lines that begin with ``#`` are comments; two of them are read:
``row_length_cm`` (any unit) and ``unit``.

Nothing is guessed and nothing is dropped: a file with mistakes is refused, all of them named by line.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from standcam import tables
from standcam.errors import BadTape
from standcam.spacing.readings import Reading, as_unit, split_header

_COLUMNS = {
    "position": "position positions pos reading readings tape tape_reading tape_position running "
    "running_position plant_position place location cumulative",
    "gap": "gap gaps spacing spacings plant_spacing plant_spacings interval intervals",
    "plot": "plot plots plot_id plotid plot_no plot_nr plot_number plot_name parcel",
    "photo": "photo picture image",
    "row": "row rows row_no row_nr row_number row_id rowno planter_row",
    "row_length": "row_length rowlength length_of_row measured_length tape_length length",
    "position_sd": "position_sd sd position_error",
}
_ROLE = {name: role for role, names in _COLUMNS.items() for name in names.split()}
_PICTURE_ENDING = re.compile(r"\.(jpe?g|png|tiff?|hei[cf])$", re.IGNORECASE)
_MAX_BYTES = 50_000_000


@dataclass
class _Row:
    """Readings of one row, in the order of the file."""

    plot: str
    row: int
    readings: list[tuple[int, float, str]] = field(default_factory=list)
    """Line, place or gap [cm], and the text it was read from."""
    sd: list[float] = field(default_factory=list)
    extra: list[dict[str, str]] = field(default_factory=list)
    length: tuple[int, float] | None = None
    """Line and length of row. [cm]"""
    blank: list[int] = field(default_factory=list)
    """Lines without a reading."""


def read_tape(
    path: str | Path, unit: str | None = None, photo: str | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read a tape file.

    Where the file gives the length of row that the tape covered, positions count from the start of that
    length. A gap list does not tell where on the length its plants stand; what it leaves over is put half
    before the first plant and half behind the last.

    Where it does not, the row runs from plant to plant. Plants divided by that span are too many: n plants
    bound n - 1 gaps. Half a mean gap is therefore added at each end, which makes plants per length ``(n - 1)
    / span``, one over the mean gap; the stretch is flagged ``ends_at_plants``. The mean gap is unbiased; its
    inverse is high by about ``CV² / (n - 1)``, 1 % for 17 plants with a CV of 40 %. A single plant without a
    length has no density.

    Parameters
    ----------
    path : path
        CSV file.
    unit : str, optional
        Unit of bare numbers where the file names none: mm, cm, m, in or ft.
    photo : str, optional
        Name of the file in the tables; its own name unless given. The plot is the file's name without ending
        where no column tells it.

    Returns
    -------
    positions, stretches : DataFrame
        POSITIONS, and behind them the file's further columns as text; STRETCHES.

    Raises
    ------
    BadTape
        The file cannot be read, or has mistakes: all are listed with their lines.
    """
    path = Path(path)
    return _Reader(path, photo or path.name, unit).tables()


def plants_from_tape(positions: pd.DataFrame) -> pd.DataFrame:
    """PLANTS of a tape: every reading is a crop plant, and no pixel shows it."""
    return tables.conform(
        tables.PLANTS, positions.drop(columns="source").assign(is_crop=True, crop_probability=1.0)
    )


class _Reader:
    """One pass over the file, gathering rows and mistakes."""

    def __init__(self, path: Path, photo: str, unit: str | None) -> None:
        self.path, self.photo, self.unit = path, photo, unit
        self.mistakes: list[tuple[int, str]] = []
        self.rows: dict[tuple[str, int], _Row] = {}
        self.length: tuple[int, float] | None = None
        self.columns: list[tuple[str, str, str | None]] = []
        """Role ("" for further columns), heading and unit of each column."""
        self.kind = ""
        self._read(_text(path))
        self._check_rows()
        if self.mistakes:
            count = "1 mistake" if len(self.mistakes) == 1 else f"{len(self.mistakes)} mistakes"
            listed = " ".join(f"Line {line}: {text}." for line, text in sorted(self.mistakes))
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
            if bare.startswith("#") and not (self._heads(bare) and not body):
                comments.append((number, bare.lstrip("#").strip(" \t,;")))
            elif number == 1 and (found := re.fullmatch(r"sep=([,;|\t])", line)):
                delimiter = found[1]
            elif line.strip(" \t\r\n,;"):
                body.append((number, line))
        if not body:
            raise BadTape(
                f"{self.photo} holds no readings.", "Write a header, and one reading a line below it."
            )
        if delimiter is None:
            delimiter = next((d for d in "\t;," if d in body[0][1]), "\x1f")  # the last parts nothing
        self._header(body[0][0], _cells(body[0][1], delimiter))
        for number, comment in comments:
            self._unit_comment(number, comment)
        for number, comment in comments:
            self._length_comment(number, comment)
        self.value = Reading(self._unit_of("position", "gap"))
        for number, line in body[1:]:
            self._line(number, _cells(line, delimiter), delimiter)
        for number, problem in self.value.file_problems(body[0][0]):
            self._wrong(number, problem)
        if self.length is None and not self.rows and len(body) == 1 and not self.mistakes:
            raise BadTape(
                f"{self.photo} holds a header and no readings.", "Write one reading a line below it."
            )
        if self.length is not None and len(body) == 1 and self.kind == "position" and not self.mistakes:
            self.rows[self.path.stem, 1] = _Row(self.path.stem, 1)

    def _heads(self, bare: str) -> bool:
        """Whether a line that begins with # is a header whose first column is called so."""
        cells = re.split(r"[\t;,]", bare)
        return cells[0].strip() == "#" and any(
            _ROLE.get(split_header(c)[0]) in ("position", "gap") for c in cells[1:]
        )

    def _unit_comment(self, line: int, text: str) -> None:
        found = re.fullmatch(r"units?\s*[:=]\s*(\S.*)", text, re.IGNORECASE)
        if found:
            try:
                self.unit = as_unit(found[1])
            except ValueError as error:
                self._wrong(line, str(error))

    def _length_comment(self, line: int, text: str) -> None:
        found = re.fullmatch(r"([^:=]+)[:=]\s*(\S.*)", text)
        if not found:
            return
        name, unit = split_header(found[1])
        if _ROLE.get(name) != "row_length" or name == "length":  # "length" alone may speak of anything
            return
        length = self._measure(line, found[2], unit, "row length")
        if length is not None and self.length is not None and abs(length - self.length[1]) > 1e-9:
            self._wrong(line, f"a second row length, unlike that of line {self.length[0]}")
        elif length is not None:
            self.length = (line, length)

    def _header(self, line: int, cells: list[str]) -> None:
        for cell in cells:
            name, unit = split_header(cell)
            self.columns.append((_ROLE.get(name, ""), cell.strip(), unit))
        roles = [role for role, _, _ in self.columns if role]
        kinds = [role for role in roles if role in ("position", "gap")]
        if not kinds:
            raise BadTape(
                f"{self.photo}, line {line}: no column is a running position or a gap.",
                "Begin with a header such as plot,row,position_cm or plot,row,gap_in.",
            )
        for role in sorted({r for r in roles if roles.count(r) > 1}):
            self._wrong(line, f"two columns give the {role.replace('_', ' ')}")
        if len(set(kinds)) > 1:
            self._wrong(line, "positions and gaps in one file; keep one of the two columns")
        self.kind = kinds[0]

    def _unit_of(self, *roles: str) -> str | None:
        return next((unit for role, _, unit in self.columns if role in roles and unit), self.unit)

    def _line(self, line: int, cells: list[str], delimiter: str) -> None:
        beyond = [c for c in cells[len(self.columns) :] if c.strip()]
        if beyond:
            hint = "; with a decimal comma, part columns by semicolons" if delimiter == "," else ""
            self._wrong(line, f"{len(cells)} values under {len(self.columns)} headings{hint}")
            return
        cells = [c.strip() for c in cells] + [""] * (len(self.columns) - len(cells))
        value: dict[str, str] = {}
        extra: dict[str, str] = {}
        for (role, heading, _), cell in zip(self.columns, cells, strict=False):
            if role in value:
                continue  # two columns of one role: already a mistake of the header
            if role:
                value[role] = cell
            elif heading:
                extra[heading] = cell
            elif cell:
                self._wrong(line, f"{cell!r} stands under no heading")
        row = self._row(line, value)
        if row is None:
            return
        self._row_length(line, row, value.get("row_length", ""))
        text = value.get(self.kind, "")
        if not text:
            row.blank.append(line)
            return
        try:
            cm = self.value.cm(text, line)
        except ValueError as error:
            self._wrong(line, str(error))
            return
        row.readings.append((line, cm, text))
        row.extra.append(extra)
        sd = value.get("position_sd", "")
        own = next((unit for role, _, unit in self.columns if role == "position_sd"), None)
        row.sd.append((self._measure(line, sd, own, "position sd") if sd else None) or np.nan)

    def _row(self, line: int, value: dict[str, str]) -> _Row | None:
        plot, number = self.path.stem, 1
        if "plot" in value or "photo" in value:
            plot = value["plot"] if "plot" in value else _PICTURE_ENDING.sub("", value["photo"])
            if not plot:
                self._wrong(line, "the plot is missing")
                return None
        if "row" in value:
            found = re.fullmatch(r"(?:row|r)?[ _-]*0*([1-9]\d{0,8})(?:[.,]0+)?", value["row"], re.IGNORECASE)
            if not found:
                self._wrong(
                    line,
                    f"row {value['row']!r} is no whole number from 1"
                    if value["row"]
                    else "the row is missing",
                )
                return None
            number = int(found[1])
        return self.rows.setdefault((plot, number), _Row(plot, number))

    def _row_length(self, line: int, row: _Row, text: str) -> None:
        if not text:
            return
        own = next((unit for role, _, unit in self.columns if role == "row_length"), None)
        length = self._measure(line, text, own, "row length")
        if length is None:
            return
        if row.length is not None and abs(length - row.length[1]) > 1e-9:
            self._wrong(line, f"row length {text} is not that of line {row.length[0]}, in the same row")
        elif row.length is None:
            row.length = (line, length)

    def _measure(self, line: int, text: str, own: str | None, what: str) -> float | None:
        """A length other than a reading, in its own unit, the one it is written in, or that of readings."""
        reading = Reading(own)
        try:
            cm = reading.cm(text, line)
            if reading.file_problems(line):  # a bare number under no unit of its own
                unit = self._unit_of(self.kind)
                if unit is None:
                    raise ValueError(f"{text!r} has no unit")
                cm = Reading(unit).cm(text, line)
            if not cm > 0:
                raise ValueError(f"{text!r} is not above zero")
        except ValueError as error:
            self._wrong(line, f"{what}: {error}")
            return None
        return cm

    # ---- rows

    def _check_rows(self) -> None:
        for row in self.rows.values():
            length = row.length or self.length
            empty_row = (
                self.kind == "position" and length is not None and not row.readings and len(row.blank) == 1
            )
            if not empty_row:
                for line in row.blank:
                    self._wrong(
                        line, "no reading; for a row without plants give its row length and nothing else"
                    )
            if self.kind == "position":
                self._check_running(row)
            if length is not None:
                self._check_length(row, *length)

    def _check_length(self, row: _Row, length_line: int, length_cm: float) -> None:
        total = 0.0
        for line, cm, text in row.readings:
            total = cm if self.kind == "position" else total + cm
            if total > length_cm + 1e-6:
                what = text if self.kind == "position" else f"the sum of gaps with {text}, {total:g} cm,"
                self._wrong(
                    line, f"{what} lies beyond the row length of {length_cm:g} cm (line {length_line})"
                )
                return

    def _check_running(self, row: _Row) -> None:
        steps = list(zip(row.readings, row.readings[1:], strict=False))
        if len(steps) > 2 and all(b[1] < a[1] for a, b in steps):
            first, last = steps[0][1][0], steps[-1][1][0]
            self._wrong(first, f"the tape runs backwards from here to line {last}; turn their order round")
            return
        for (line_before, before, text_before), (line, cm, text) in steps:
            if abs(cm - before) < 1e-9:
                self._wrong(
                    line,
                    f"{text} again, as in line {line_before}; typed twice? Where two plants stand in one "
                    "place, write the second a little further",
                )
            elif cm < before:
                self._wrong(
                    line,
                    f"the tape runs backwards, {text} after {text_before} in line {line_before}; "
                    "one of the two is wrong",
                )

    # ---- tables

    def tables(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """POSITIONS and STRETCHES."""
        known = set(tables.POSITIONS.names) | set(tables.PLANTS.names)
        positions, stretches = [], []
        for row in self.rows.values():
            values = np.array([cm for _, cm, _ in row.readings])
            extra, sd = row.extra, np.array(row.sd)
            if self.kind == "gap":
                # a gap's line tells of the plant at its end
                values = np.concatenate([[0.0], np.cumsum(values)])
                extra, sd = [{}, *extra], np.full(len(values), np.nan)
            place, begin, end, words = _stretch(values, row.length or self.length, self.kind)
            frame = pd.DataFrame(
                {
                    "photo": self.photo,
                    "plot": row.plot,
                    "row": row.row,
                    "plant": np.arange(1, len(place) + 1),
                    "position_cm": place,
                    "position_sd_cm": sd,
                    "source": "tape",
                    "flags": "",
                }
            )
            for name in dict.fromkeys(name for line in extra for name in line):
                frame[f"tape_{name}" if name in known else name] = [line.get(name, "") for line in extra]
            positions.append(frame)
            stretches.append(
                {
                    "photo": self.photo,
                    "plot": row.plot,
                    "row": row.row,
                    "from_cm": begin,
                    "to_cm": end,
                    "plants": len(place),
                    "status": "ok" if len(place) else "empty",
                    "flags": words,
                }
            )
        filled = [frame for frame in positions if len(frame)]
        stacked = pd.concat(filled, ignore_index=True) if filled else tables.empty(tables.POSITIONS)
        return (
            tables.conform(tables.POSITIONS, stacked),
            tables.conform(tables.STRETCHES, pd.DataFrame(stretches)),
        )


def _stretch(
    place: np.ndarray, length: tuple[int, float] | None, kind: str
) -> tuple[np.ndarray, float, float, str]:
    """Places, ends of the measured stretch and its flags; see :func:`read_tape` for the rule."""
    if length is not None:
        shift = (length[1] - place[-1]) / 2 if kind == "gap" else 0.0
        return place + shift, 0.0, length[1], ""
    if len(place) < 2:
        return place, np.nan, np.nan, ""
    half = (place[-1] - place[0]) / (len(place) - 1) / 2
    return place, place[0] - half, place[-1] + half, "ends_at_plants"


def _text(path: Path) -> str:
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= _MAX_BYTES else b""
    except OSError as error:
        raise BadTape(
            f"{path.name} cannot be read: {error.strerror}.", "Check the path and rights."
        ) from None
    if size > _MAX_BYTES:
        raise BadTape(
            f"{path.name} is {size / 1e6:.0f} MB, too much for a hand count.", "Is it the right file?"
        )
    if not data.strip():
        raise BadTape(f"{path.name} is empty.", "Write a header such as position_cm, and one reading a line.")
    if data[:2] == b"PK":
        raise BadTape(f"{path.name} is a workbook and no text.", "Save the sheet as CSV.")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    if b"\0" in data:
        raise BadTape(f"{path.name} is no text file.", "Save the readings as CSV.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")  # what spreadsheets of older offices write


def _cells(line: str, delimiter: str) -> list[str]:
    # line by line, so that the inch mark of one reading cannot swallow the lines below it
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:  # a cell of more than 100,000 characters
        return [line[:80] + " ..."]
