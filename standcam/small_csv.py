"""Small CSV files that people type: plot maps, harvests, pairs of rows.

Tape files have a reader of their own (``spacing.tape_text``), which has to forgive far more.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from standcam.errors import StandcamError


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
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as reason:
        raise error(f"{what} {path} cannot be read: {reason}.", "Save it as CSV in UTF-8.") from None
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise error(f"{what} {path} is empty.", remedy)
    delimiter = max(",;\t", key=lines[0][1].count)
    return SmallCsv(delimiter, [(n, _cells(line, delimiter)) for n, line in lines])


def _cells(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
