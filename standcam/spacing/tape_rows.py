"""One row of a tape file: what is wrong with it, and its way into the tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from standcam import tables
from standcam.spacing import tape_checks
from standcam.spacing.tape_checks import Read, Told
from standcam.spacing.tape_columns import DESIGN, OF_A_PLANT

Ends = dict[str, tuple[int, float]]
"""Line and value of row_length, tape_from and tape_to. [cm]"""

_ALIKE = 5  # fewer readings may well be alike in two rows
_KNOWN = {c.name for table in (tables.POSITIONS, tables.PLANTS, tables.STRETCHES, tables.ROWS) for c in table.columns}


@dataclass
class TapeRow:
    """What a tape file says of one row, in the order of the file."""

    plot: str
    row: int
    readings: list[Read] = field(default_factory=list)
    sd: list[float] = field(default_factory=list)
    extra: list[dict[str, str]] = field(default_factory=list)
    about: list[dict[str, str]] = field(default_factory=list)
    """Further columns of all lines, those without a reading too."""
    count: tuple[int, int] | None = None
    """Line and plants."""
    ends: dict[str, tuple[int, float]] = field(default_factory=dict)
    """Line and value of row_length, tape_from and tape_to. [cm]"""
    blank: list[int] = field(default_factory=list)
    """Lines without a reading."""
    none: list[int] = field(default_factory=list)
    """Lines that say that there are no plants."""

    def measured(self, common: Mapping[str, tuple[int, float]]) -> tuple[float, tuple[int, float]] | None:
        """Where the measured length begins and, with its line, where it ends on the tape; None if not given. [cm]

        ``common`` holds what the file says of all rows.
        """
        ends = {**common, **self.ends}
        begin = ends["tape_from"][1] if "tape_from" in ends else 0.0
        if "tape_to" in ends:
            return begin, ends["tape_to"]
        if "row_length" in ends:
            line, length = ends["row_length"]
            return begin, (line, begin + length)
        return None


def check_row(row: TapeRow, kind: str, common: Ends, wide: bool) -> tuple[Told, Told]:
    """Mistakes and oddities of one row; ``common`` holds the ends that the file gives for all rows."""
    measured = row.measured(common)
    mistakes = _check_ends({**common, **row.ends})
    if kind == "count":
        if measured is None and row.count is not None:
            mistakes.append((row.count[0], "a count needs the length of row it was made on: add row_length_m"))
        return mistakes, []
    mistakes += _check_blank(row, kind, wide, measured is not None)
    found, odd = (tape_checks.check_running if kind == "position" else tape_checks.check_gaps)(row.readings)
    mistakes += found
    if measured is not None:
        begin, end = measured
        mistakes += tape_checks.beyond_length(row.readings, kind, begin, end)
        first = row.readings[0] if row.readings else None
        if kind == "position" and first is not None and first.cm < begin - 1e-6:
            mistakes.append((first.line, f"{first.text} lies before the tape's beginning at {begin:g} cm"))
    return mistakes, odd


def _check_ends(ends: Ends) -> Told:
    if not {"tape_from", "tape_to"} <= set(ends):
        return []
    line, end = ends["tape_to"]
    length = end - ends["tape_from"][1]
    if length <= 0:
        return [(line, "the tape ends before it begins")]
    told = ends.get("row_length", (0, length))[1]
    if abs(told - length) > 0.5:
        return [(line, f"the tape's ends are {length:g} cm apart, the row length is {told:g} cm")]
    return []


def _check_blank(row: TapeRow, kind: str, wide: bool, has_length: bool) -> Told:
    last = row.readings[-1].line if row.readings else 0
    # columns of a wide file are of different length
    blank = [line for line in row.blank if line < last] if wide else row.blank
    lone = kind == "position" and has_length and not row.readings and len(blank) == 1 and not row.none
    where = f" in row {row.row}" if wide else ""
    mistakes = [
        (line, f"no reading{where}; for a row without plants write none, and its row length")
        for line in ([] if lone else blank)
    ]
    for line in row.none:
        if row.readings:
            mistakes.append((line, f"no plants here, but line {row.readings[0].line} has one in the same row"))
        elif not has_length:
            mistakes.append((line, "a row without plants needs its row length"))
    if kind == "position" and len(row.readings) == 1 and row.readings[0].cm == 0:
        text = "one plant at the tape's zero, or no plants? Write none for no plants, and 0.1 for a plant"
        mistakes.append((row.readings[0].line, text))
    return mistakes


def typed_twice(rows: Sequence[TapeRow]) -> Told:
    """Rows that have the very readings of another."""
    seen: dict[tuple[float, ...], TapeRow] = {}
    told: Told = []
    for row in rows:
        values = tuple(round(r.cm, 6) for r in row.readings)
        if len(values) >= _ALIKE and values in seen:
            twin = seen[values]
            text = f"row {row.row} has the readings of row {twin.row} from line {twin.readings[0].line} on"
            told.append((row.readings[0].line, f"{text}: typed twice?"))
        seen.setdefault(values, row)
    return told


def tables_of(rows: Sequence[TapeRow], kind: str, common: Ends, photo: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """POSITIONS and STRETCHES of rows that were found sound."""
    constant = _constant(rows, kind)
    positions, stretches = [], []
    for row in rows:
        about = {name: values[row.plot, row.row] for name, values in constant.items()}
        values = np.array([r.cm for r in row.readings])
        extra, sd = row.extra, np.array(row.sd)
        if kind == "gap" and row.readings:
            # a gap's line tells of the plant at its end
            values = np.concatenate([[0.0], np.cumsum(values)])
            extra, sd = [{}, *extra], np.full(len(values), np.nan)
        place, begin, end, words = stretch_of(values, row.measured(common), kind)
        key = {"photo": photo, "plot": row.plot, "row": row.row}
        frame = pd.DataFrame(
            {
                **key,
                "plant": np.arange(1, len(place) + 1),
                "position_cm": place,
                "position_sd_cm": sd,
                "source": "tape",
                "flags": "",
            }
        )
        for name in dict.fromkeys(name for line in [*extra, about] for name in line):
            known = about.get(name, "") if name in DESIGN.values() else ""
            frame[_travelling(name)] = [line.get(name, "") or known for line in extra]
        positions.append(frame)
        n = row.count[1] if row.count is not None else len(place)
        stretches.append(
            {
                **key,
                "from_cm": begin,
                "to_cm": end,
                "plants": n,
                "status": "empty" if not n else "counted" if row.count is not None else "ok",
                "flags": words,
                **{_travelling(name): value for name, value in about.items()},
            }
        )
    filled = [frame for frame in positions if len(frame)]
    stacked = pd.concat(filled, ignore_index=True) if filled else tables.empty(tables.POSITIONS)
    further = [name for name in stacked if name not in tables.POSITIONS.names]
    stacked[further] = stacked[further].fillna("")
    return tables.conform(tables.POSITIONS, stacked), tables.conform(tables.STRETCHES, pd.DataFrame(stretches))


def stretch_of(
    place: np.ndarray, ends: tuple[float, tuple[int, float]] | None, kind: str
) -> tuple[np.ndarray, float, float, str]:
    """Places, ends of the measured stretch and its flags; the rule is told in ``read_tape_file``."""
    if ends is not None:
        begin, (_, end) = ends
        shift = begin + (end - begin - place[-1]) / 2 if kind == "gap" and len(place) else 0.0
        return place + shift, begin, end, ""
    if len(place) < 2:
        return place, np.nan, np.nan, ""
    half = (place[-1] - place[0]) / (len(place) - 1) / 2
    return place, place[0] - half, place[-1] + half, "ends_at_plants"


def _constant(rows: Sequence[TapeRow], kind: str) -> dict[str, dict[tuple[str, int], str]]:
    """Further columns that are the same all along each row, and their values.

    Row unit, treatment and block may be written once a row and left empty below.
    """
    out: dict[str, dict[tuple[str, int], str]] = {}
    for name in dict.fromkeys(name for row in rows for line in row.about for name in line):
        if name.lower().replace(" ", "_") in OF_A_PLANT and kind != "count":
            continue
        values: dict[tuple[str, int], str] = {}
        for row in rows:
            written = [line.get(name, "") for line in row.about]
            if name in DESIGN.values():
                written = [text for text in written if text]
            if len(set(written)) > 1:
                break
            values[row.plot, row.row] = written[0] if written else ""
        else:
            out[name] = values
    return out


def _travelling(name: str) -> str:
    """Name of a further column in the tables: never that of a registered one."""
    return f"tape_{name}" if name in _KNOWN else name
