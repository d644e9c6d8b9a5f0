"""Plots by file name: a pattern that shows where in the name the plot stands."""

from __future__ import annotations

import re
from dataclasses import dataclass

from standcam.errors import BadSettings

FIELDS = ("plot", "plot_row", "row_unit", "treatment", "block", "visit")
"""What a file name can tell."""


@dataclass(frozen=True)
class NamePattern:
    """A pattern ready for use."""

    text: str
    regex: re.Pattern[str]
    folders: int
    """Folders that the pattern names before the file name; -1: as many as there are."""

    def read(self, path: str) -> dict[str, str] | None:
        """Fields by a path below the survey folder, parted by ``/``; None where the pattern does not fit.

        >>> name_pattern("{plot}_{plot_row}_*.jpg").read("day 1/north-3_2_a.JPG")
        {'plot': 'north-3', 'plot_row': '2'}
        """
        parts = path.split("/")
        if self.folders >= 0:
            if len(parts) <= self.folders:
                return None
            path = "/".join(parts[-1 - self.folders :])
        found = self.regex.fullmatch(path)
        if found is None:
            return None
        return {name: text.strip() for name, text in found.groupdict().items() if text and text.strip()}


def name_pattern(text: str) -> NamePattern:
    """Make a pattern of its text.

    In a plain pattern ``{field}`` is one of :data:`FIELDS`, ``*`` any run of characters and ``?`` one; neither they nor
    fields cross a ``/``. A field ends before the character that follows it in the pattern; the last may hold any.
    Letters in upper and lower case are alike. A text with ``(?P<`` is a regular expression over the whole path below
    the survey folder.

    Raises
    ------
    BadSettings
        A field is unknown, named twice, or touches the next one; the expression is none; or nothing is told by it.
    """
    if "(?P<" in text:
        try:
            regex = re.compile(text)
        except re.error as error:
            raise BadSettings(f"ties.file_name {text!r} is no regular expression: {error}.", "Mend it.") from None
        _check(text, list(regex.groupindex))
        return NamePattern(text, regex, -1)
    pieces = re.split(r"(\{[^{}]*\}|\*|\?)", text)
    pieces = [piece for piece in pieces if piece]
    _check(text, [piece[1:-1] for piece in pieces if piece.startswith("{") and piece.endswith("}")])
    out = ""
    for piece, following in zip(pieces, [*pieces[1:], ""], strict=True):
        if piece.startswith("{") and piece.endswith("}"):
            if following.startswith("{") and following.endswith("}"):
                raise BadSettings(
                    f"ties.file_name {text!r}: {piece} and {following} touch.",
                    "Put the character that parts them between.",
                )
            plain = following and following not in ("*", "?")
            # up to the last dot is the name: an ending behind the field must not cut plots such as 4.2
            stop = re.escape(following[0]) if plain and not following.startswith(".") else ""
            out += f"(?P<{piece[1:-1]}>[^/{stop}]+)"
        elif piece == "*":
            out += "[^/]*"
        elif piece == "?":
            out += "[^/]"
        else:
            out += re.escape(piece)
    return NamePattern(text, re.compile(out, re.IGNORECASE), text.count("/"))


def _check(text: str, names: list[str]) -> None:
    if "row" in names:
        raise BadSettings(
            f"ties.file_name {text!r} has a field row.",
            "In all tables row counts the rows within one photo; the row of the plot is plot_row.",
        )
    unknown = [name for name in names if name not in FIELDS]
    if unknown:
        raise BadSettings(
            f"ties.file_name {text!r} has an unknown field {unknown[0]!r}.", f"Known are {', '.join(FIELDS)}."
        )
    if len(set(names)) < len(names):
        raise BadSettings(f"ties.file_name {text!r} names a field twice.", "Write * for a part that does not matter.")
    if not names:
        raise BadSettings(f"ties.file_name {text!r} tells nothing.", "Write for example {plot}_*.jpg.")
