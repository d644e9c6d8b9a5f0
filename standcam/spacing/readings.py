"""Lengths as people write them: ``34.5``, ``34,5``, ``34.5 cm``, ``13 1/2``, ``3'4"``, ``3 ft 4 in``."""

from __future__ import annotations

import re

from standcam.units import CM_PER_FOOT, CM_PER_INCH, CM_PER_UNIT, INCHES_PER_FOOT

FEET_AND_INCHES = "ft-in"
"""Unit of readings such as 3'4"."""

_NAMES = {
    "mm": "mm millimetre millimetres millimeter millimeters",
    "cm": "cm cms centimetre centimetres centimeter centimeters",
    "m": "m metre metres meter meters",
    "in": "in inch inches",
    "ft": "ft foot feet",
}
_UNIT = {name: unit for unit, names in _NAMES.items() for name in names.split()}
_US = ("in", "ft", FEET_AND_INCHES)
_FRACTIONS = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"}
_MARKS = {"″": '"', "”": '"', "“": '"', "''": '"', "′": "'", "’": "'", "‘": "'"}

_NUMBER = r"(?:[0-9]{1,12}(?:[.,][0-9]{0,20})?|[.,][0-9]{1,20})"
_MIXED = rf"(?:[0-9]{{1,6}}[ -]+[0-9]{{1,4}}/[0-9]{{1,4}}|[0-9]{{1,4}}/[0-9]{{1,4}}|{_NUMBER})"
_PLAIN = re.compile(_MIXED)
_WITH_UNIT = re.compile(rf"({_MIXED})\s*([a-z]+)\.?")
_FEET = re.compile(rf"({_NUMBER})\s*(?:'|ft\.?|foot|feet)(?:\s*-?\s*({_MIXED})\s*(?:\"|in\.?|inch|inches)?)?")
_INCHES = re.compile(rf"({_MIXED})\s*\"")
_REMARK = re.compile(r"(.*?\S)\s*(?:\(([^()]*)\)|\[([^\[\]]*)\]|([?*!]+))")
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DATE = re.compile(
    rf"\d{{1,4}}[- ./]{_MONTH}(?:[- ./]\d{{2,4}})?|{_MONTH}[- ./]\d{{1,4}}"
    r"|\d{1,4}([-./])\d{1,2}\1\d{2,4}"
)
_SHORTENED = re.compile(r"\d(?:[.,]\d*)?e[+-]?\d+")
_GROUPS = (re.compile(r"(\d{1,3}(?:,\d{3})+)\.\d+"), re.compile(r"(\d{1,3}(?:\.\d{3})+),\d+"))
_GROUP_SPACE = re.compile(r"(?<=\d)[\u00a0\u2009\u202f](?=\d{3}(?:\D|$))")


def as_unit(text: str) -> str:
    """Short name of a unit: ``"inches"`` gives ``"in"``.

    Raises
    ------
    ValueError
        No unit of length known here.
    """
    try:
        return _UNIT[_marks(text).replace('"', "in").replace("'", "ft").strip(" .()[]")]
    except KeyError:
        raise ValueError(f"{text!r} is no unit known here (mm, cm, m, in, ft)") from None


def split_header(text: str) -> tuple[str, str | None]:
    """Name and unit of a heading: ``"Position (in)"`` gives ``("position", "in")``.

    Name words are joined by underscores. ``"position in cm"`` is in cm, ``"position_ft_in"`` in feet and
    inches.
    """
    words = re.findall(r"[^\W_]+", _marks(text).replace('"', " in ").replace("'", " ft "))
    units: list[str] = []
    while words and (words[-1] in _UNIT or (words[-1] == "and" and units)):
        units.insert(0, words.pop())
    name = "_".join(words)
    units = [_UNIT[u] for u in units if u != "and"]
    if len(units) == 2 and units[0] == "in":  # "position in cm"
        units = units[1:]
    if units == ["ft", "in"]:
        return name, FEET_AND_INCHES
    return name, units[-1] if units else None


def split_remark(text: str) -> tuple[str, str]:
    """A reading and the remark behind it: ``"34.5 (late)"`` gives ``("34.5", "late")``; ``""`` where none is.

    Remarks stand in brackets, or are marks such as ``?`` and ``*``. Brackets without a letter are no remark:
    ``13 (1/2)`` may be a length.
    """
    found = _REMARK.fullmatch(text.strip())
    if found is None:
        return text, ""
    inside = found[2] if found[2] is not None else found[3]
    if inside is not None and not re.search(r"[^\W\d_]|[?*!]", inside):
        return text, ""
    return found[1], (inside if inside is not None else found[4]).strip()


def has_decimals(text: str) -> bool:
    """Whether a reading is written with a decimal mark or a fraction."""
    return re.search(r"\d[.,]\d|^[.,]\d|/|[½¼¾⅛⅜⅝⅞]", text) is not None


class Reading:
    """Reads the values of one column, and sees to it that all are written in one way."""

    def __init__(self, unit: str | None) -> None:
        """Take the unit of the column: mm, cm, m, in, ft or ft-in; None when every value carries its own."""
        self.unit = unit
        self._first: tuple[str, int] | None = None
        self._decimal: tuple[str, int] | None = None
        self._bare: list[int] = []

    def cm(self, text: str, line: int) -> float:
        """Length in cm.

        Raises
        ------
        ValueError
            No number, negative, or written unlike the values before it; the message is for the user.
        """
        clean = _ungrouped(_marks(text).replace("−", "-").strip())
        if re.match(r"-\s*[\d.,]", clean):
            raise ValueError(f"{text!r} is negative")
        if _DATE.fullmatch(clean):
            raise ValueError(f"{text!r} looks like a date; has a spreadsheet turned a reading into one?")
        if _SHORTENED.fullmatch(clean):
            raise ValueError(f"{text!r} was shortened by a spreadsheet; show the column as plain numbers")
        cm, written = self._parse(clean, text)
        self._same_decimal_mark(clean, text, line)
        self._same_unit(written, text, line)
        return cm

    def file_problems(self, header_line: int) -> list[tuple[int, str]]:
        """What shows only at the end of a column: values without any unit."""
        if self.unit is not None or not self._bare:
            return []
        if self._first is None:
            return [
                (
                    header_line,
                    'the unit is missing; say it in the heading, as in "position_cm", "gap_in" or "row 1 (cm)", '
                    "or by --units",
                )
            ]
        return [(line, f"no unit, while line {self._first[1]} is in {_said(self._first[0])}") for line in self._bare]

    def _parse(self, clean: str, text: str) -> tuple[float, str]:
        """Length in cm and the unit it is written in; "" for a bare number."""
        if found := _FEET.fullmatch(clean):
            inches = _number(found[2]) if found[2] else 0.0
            if inches >= INCHES_PER_FOOT:
                raise ValueError(f"{text!r} has {inches:g} inches behind its feet; a foot has 12")
            return _number(found[1]) * CM_PER_FOOT + inches * CM_PER_INCH, FEET_AND_INCHES if found[2] else "ft"
        if found := _INCHES.fullmatch(clean):
            return _number(found[1]) * CM_PER_INCH, "in"
        if found := _WITH_UNIT.fullmatch(clean):
            unit = _UNIT.get(found[2])
            if unit is None:
                raise ValueError(f"{text!r} is in no unit known here (mm, cm, m, in, ft); remarks stand in brackets")
            return _number(found[1]) * CM_PER_UNIT[unit], unit
        if not _PLAIN.fullmatch(clean):
            raise ValueError(f"{text!r} is no number")
        if self.unit == FEET_AND_INCHES:
            raise ValueError(f"{text!r} has no mark for feet or inches; write it as 3'4\"")
        if "/" in clean and self.unit in ("mm", "cm", "m"):
            raise ValueError(f"{text!r} is a fraction in a column of {self.unit}")
        return _number(clean) * CM_PER_UNIT[self.unit or "cm"], ""

    def _same_unit(self, written: str, text: str, line: int) -> None:
        if written == "" and self.unit is None:
            self._bare.append(line)
            return
        if written in ("", self.unit):
            group = self.unit
        elif written in _US and self.unit in _US:
            group = FEET_AND_INCHES
        elif self.unit is not None:
            raise ValueError(f"mixed units, {text!r} in a column of {_said(self.unit)}")
        else:
            group = FEET_AND_INCHES if written in _US else written
        if self._first is None:
            self._first = (str(group), line)
        elif group != self._first[0]:
            # 3.4 among values like 3'4" may well be meant as feet and inches
            raise ValueError(
                f"mixed units, {text!r} is in {_said(str(group))}, line {self._first[1]} in {_said(self._first[0])}"
            )

    def _same_decimal_mark(self, clean: str, text: str, line: int) -> None:
        for mark in ".,":
            if re.search(rf"\d[{mark}]\d|^[{mark}]\d", clean):
                if self._decimal is None:
                    self._decimal = (mark, line)
                elif mark != self._decimal[0]:
                    names = {".": "point", ",": "comma"}
                    raise ValueError(
                        f"{text!r} has a decimal {names[mark]}, line {self._decimal[1]} a decimal "
                        f"{names[self._decimal[0]]}"
                    )


def _number(text: str) -> float:
    total = 0.0
    for part in re.split(r"[ -]+", text.strip()):
        if "/" in part:
            top, bottom = (int(p) for p in part.split("/"))
            if bottom == 0:
                raise ValueError(f"{text!r} divides by zero")
            total += top / bottom
        else:
            total += float(part.replace(",", "."))
    return total


def _ungrouped(text: str) -> str:
    """Without the marks between groups of thousands, where a decimal mark or a hard space shows that they are."""
    text = _GROUP_SPACE.sub("", text)
    for pattern in _GROUPS:
        if found := pattern.match(text):
            return re.sub("[.,]", "", found[1]) + text[found.end(1) :]
    return text


def _marks(text: str) -> str:
    text = text.lower()
    for table in (_FRACTIONS, _MARKS):
        for mark, plain in table.items():
            text = text.replace(mark, plain)
    return text


def _said(unit: str) -> str:
    return "feet and inches" if unit == FEET_AND_INCHES else unit
