"""Small CSV files that people type: plot maps, harvests, pairs of rows.

Tape files have a reader of their own (``spacing.tape_text``), which has to forgive far more.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from standcam.errors import StandcamError
from standcam.files import MOST_TEXT_BYTES, read_file

_LONGEST_LINE = 20_000


@dataclass(frozen=True)
class SmallCsv:
    """The lines of a file that are neither blank nor comments, in cells."""

    delimiter: str
    lines: list[tuple[int, list[str]]]
    """Number in the file, from 1, and cells without blanks about them; the header is the first."""


def read_small_csv(path: Path, what: str, error: type[StandcamError], remedy: str) -> SmallCsv:
    """Read a file whose cells are parted by commas, semicolons or tabs, as its first line shows.

    Parameters
    ----------
    path : Path
    what : str
        Name of such a file at the beginning of a sentence: ``"Plot map"``.
    error : type of StandcamError
        Raised when the file cannot be read or holds nothing.
    remedy : str
        What to do about an empty file.
    """
    try:
        text = read_file(path, MOST_TEXT_BYTES).decode("utf-8-sig")
    except OSError as reason:
        raise error(f"{what} {path} cannot be read: {reason.strerror}.", "Check the path and the rights.") from None
    except UnicodeDecodeError as reason:
        raise error(f"{what} {path} cannot be read: {reason}.", "Save it as CSV in UTF-8.") from None
    if "\0" in text:
        raise error(f"{what} {path} is no text file.", "Save it as CSV in UTF-8.")
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise error(f"{what} {path} is empty.", remedy)
    delimiter = max(",;\t", key=lines[0][1].count)
    overlong = [n for n, line in lines if len(line) > _LONGEST_LINE]
    if overlong:
        told = f"{what} {path}: line {overlong[0]} has more than {_LONGEST_LINE} characters."
        raise error(told, "Is it the right file?")
    return SmallCsv(delimiter, [(n, _cells(line, delimiter)) for n, line in lines])


def _cells(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
