"""The text of tape files: bytes to text, lines to cells, notes to fewer notes."""

from __future__ import annotations

import csv
from pathlib import Path

from standcam.errors import BadTape
from standcam.files import MOST_TEXT_BYTES, read_file

_MAX_BYTES = MOST_TEXT_BYTES
_LONGEST_CELL = 500


def text_of(path: Path) -> str:
    """The text of a tape file, in whatever encoding spreadsheets write.

    Raises
    ------
    BadTape
        Missing, empty, too large, or no text.
    """
    try:
        data = read_file(path, _MAX_BYTES)
    except OSError as error:
        raise BadTape(
            f"{path.name} cannot be read: {error.strerror}.", "Is it the right file? Check the path and rights."
        ) from None
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


def cells_of(line: str, delimiter: str) -> list[str]:
    """Cells of one line."""
    # line by line, so that the inch mark of one reading cannot swallow the lines below it
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:  # a cell of more than 100,000 characters
        cells = [line]
    # patterns of readings and remarks are not made for more, and would take hours
    return [cell if len(cell) <= _LONGEST_CELL else cell[:80] + " ..." for cell in cells]


def sentence(text: str) -> str:
    """A text with its full stop, unless it asks."""
    return text if text.endswith(("?", ".")) else f"{text}."


def gathered(notes: list[str]) -> list[str]:
    """Notes with the many of one kind cut to the first and a number."""
    empty = [note for note in notes if " left empty, taken as " in note]
    if len(empty) > 1:
        first = f"{empty[0][:-1]}; likewise in {len(empty) - 1} more."
        return [first, *(note for note in notes if note not in empty)]
    return notes
