"""Which row of the photos is which row of the tape."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standcam.errors import StandcamError
from standcam.small_csv import read_small_csv

PHOTO_KEYS = ("photo", "plot", "row")
TAPE_KEYS = ("tape_photo", "tape_plot", "tape_row")


class PairsMismatch(StandcamError):
    """A file of row pairs cannot be read, or names rows that are not there or not one."""


@dataclass(frozen=True)
class RowKey:
    """A measured row by its names."""

    photo: str
    plot: str
    row: int

    def __str__(self) -> str:
        return f"{self.photo}, plot {self.plot}, row {self.row}"


@dataclass(frozen=True)
class RowPairs:
    """Rows that are the same row, and rows without a counterpart."""

    pairs: tuple[tuple[RowKey, RowKey], ...]
    """Photo row, tape row. One tape row may serve several photos."""
    photo_alone: tuple[RowKey, ...]
    tape_alone: tuple[RowKey, ...]
    how: str
    """How they were tied, in words."""
    notes: tuple[str, ...] = ()
    """Sentences on rows that could not be tied for sure."""


def keys_of(rows: pd.DataFrame) -> list[RowKey]:
    """Names of the rows of a table with photo, plot and row, in its order."""
    return [
        RowKey(str(photo), str(plot), int(row))
        for photo, plot, row in zip(rows["photo"], rows["plot"], rows["row"], strict=True)
    ]


def pair_rows(photo_rows: pd.DataFrame, tape_rows: pd.DataFrame, named: list[dict[str, str]] | None = None) -> RowPairs:
    """Tie rows: by a list of pairs if given; else by plot and row; else one row to one row.

    Parameters
    ----------
    photo_rows, tape_rows : DataFrame
        ROWS of either side.
    named : list of dict, optional
        From :func:`read_pairs`.

    Raises
    ------
    PairsMismatch
        A line of the list fits no row or several, or ties a row twice; all mistakes in one message.
    """
    photo, tape = keys_of(photo_rows), keys_of(tape_rows)
    notes: list[str] = []
    if named is not None:
        pairs, how = _by_list(photo, tape, named), "by the pairs file"
    else:
        pairs, notes = _by_name(photo, tape)
        how = "by plot and row"
        if not pairs and not notes and len(photo) == 1 and len(tape) == 1:
            pairs, how = [(photo[0], tape[0])], "as the only rows there are"
    tied_photo, tied_tape = {p for p, _ in pairs}, {t for _, t in pairs}
    return RowPairs(
        tuple(pairs),
        tuple(key for key in photo if key not in tied_photo),
        tuple(key for key in tape if key not in tied_tape),
        how,
        tuple(notes),
    )


def read_pairs(path: str | Path) -> list[dict[str, str]]:
    """Read a file of row pairs: a CSV with some of photo, plot, row and some of tape_photo, tape_plot, tape_row.

    Columns that are not needed to tell a row may be left out, and cells empty. Lines that begin with ``#`` are
    comments.

    Raises
    ------
    PairsMismatch
        The file cannot be read, or lacks a side.
    """
    path = Path(path)
    remedy = "Write a header such as photo,row,tape_plot,tape_row."
    sheet = read_small_csv(path, "Pairs file", PairsMismatch, remedy)
    header = [name.lower().replace(" ", "_") for name in sheet.lines[0][1]]
    wrong = [f"column {name!r} is not known" for name in header if name not in (*PHOTO_KEYS, *TAPE_KEYS)]
    wrong += [f"column {name!r} occurs twice" for name in dict.fromkeys(header) if header.count(name) > 1]
    for side, keys in (("photo", PHOTO_KEYS), ("tape", TAPE_KEYS)):
        if not set(keys) & set(header):
            wrong.append(f"no column names the row of the {side} ({', '.join(keys)})")
    if wrong:
        raise PairsMismatch(f"Pairs file {path}: {'; '.join(wrong)}.", remedy)
    named = []
    for number, values in sheet.lines[1:]:
        if len(values) > len(header):
            wrong.append(f"line {number} has {len(values)} cells, the header {len(header)}")
        named.append(dict(zip(header, values, strict=False)) | {"line": str(number)})
    if wrong:
        raise PairsMismatch(f"Pairs file {path}: {'; '.join(wrong)}.", "Mend the file.")
    if not named:
        raise PairsMismatch(f"Pairs file {path} names no rows.", "Write one pair of rows a line.")
    return named


def _by_name(photo: list[RowKey], tape: list[RowKey]) -> tuple[list[tuple[RowKey, RowKey]], list[str]]:
    """Same plot and row. Several photos may show one tape row; two tape rows of one name are a riddle."""
    times = Counter((key.plot, key.row) for key in tape)
    of = {(key.plot, key.row): key for key in tape}
    pairs, riddles = [], []
    for key in photo:
        name = (key.plot, key.row)
        if times[name] == 1:
            pairs.append((key, of[name]))
        elif times[name] > 1:
            riddles.append(f"plot {key.plot}, row {key.row} occurs {times[name]} times among the tape rows")
    return pairs, [f"{riddle}: tell which is meant with --pairs." for riddle in dict.fromkeys(riddles)]


def _by_list(photo: list[RowKey], tape: list[RowKey], named: list[dict[str, str]]) -> list[tuple[RowKey, RowKey]]:
    pairs: list[tuple[RowKey, RowKey]] = []
    wrong = []
    lines: dict[RowKey, str] = {}
    for line in named:
        number = line.get("line", "?")
        ours = _fitting(photo, {key: line.get(key, "") for key in PHOTO_KEYS})
        theirs = _fitting(tape, {key.removeprefix("tape_"): line.get(key, "") for key in TAPE_KEYS})
        for side, fits in (("photo", ours), ("tape", theirs)):
            if len(fits) != 1:
                what = "no row" if not fits else f"{len(fits)} rows"
                wrong.append(f"line {number} fits {what} of the {side} results")
        if len(ours) == 1 and len(theirs) == 1:
            if ours[0] in lines:
                wrong.append(f"line {number} ties {ours[0]} again (line {lines[ours[0]]})")
            lines.setdefault(ours[0], number)
            pairs.append((ours[0], theirs[0]))
    if wrong:
        raise PairsMismatch(
            f"Pairs file: {'; '.join(wrong)}.", "Names must be as in rows.csv of the two results folders."
        )
    return pairs


def _fitting(keys: list[RowKey], wanted: dict[str, str]) -> list[RowKey]:
    if not any(wanted.values()):
        return []
    return [key for key in keys if all(str(getattr(key, name)) == value for name, value in wanted.items() if value)]
