"""Yield by stand and planting date: the published tables that ship, a user's own, and what lies between their cells.

A table is a grid of printed cells. Between them values are interpolated linearly along both axes; beyond them there is
no value but a word why. Where the source prints a window of dates or stands, the cell holds all over that window.
Provenance travels with each table: its source, whether all of it could be read, and where it holds.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam import units
from standcam.errors import StandcamError
from standcam.files import MOST_TEXT_BYTES, read_file

_LONGEST_LINE = 20_000

DATA = Path(__file__).parent / "data"
CROPS = ("maize", "soybean")
OWN, PARTIAL = "own", "partial"
"""Marks of a user's own table and of one of which only a part could be read; the others are seen and joined."""

BELOW, ABOVE, BEFORE, AFTER, UNREAD = "stand below", "stand above", "date before", "date after", "cell not read"
"""Why a table has no value."""

_YEAR = 2001  # no leap year: tables know none


class BadResponseTable(StandcamError):
    """A table of yield by stand and date cannot be read, or no table has the asked name."""


@dataclass(frozen=True)
class Reading:
    """What a table says at one stand and date."""

    percent: float
    """Yield, NaN where the table does not answer. [% of its full yield]"""
    why: str = ""
    """Why not: one of the words above; empty where it answers."""
    limit: float | dt.date | None = None
    """Where the table ends on that side: plants per ha, or a date. [1/ha]"""
    held: str = ""
    """Which side was held at the table's edge because the caller allowed it; empty when none was."""


@dataclass(frozen=True, eq=False)  # holds arrays: one is like another only by being it
class ResponseTable:
    """A grid of yields by stand and planting date."""

    name: str
    title: str
    crop: str
    source: str
    mark: str
    """seen, partial, joined or own."""
    stand_per_ha: np.ndarray
    """Stands of the lines, rising; both ends of a printed range. (n,) [1/ha]"""
    day: np.ndarray
    """Days of the columns since 1 January, rising; above 365 for the next year. Both ends of a window. (m,) [d]"""
    percent: np.ndarray
    """Cells; NaN where not read. (n, m) [% of full yield]"""
    region: str = ""
    notes: tuple[str, ...] = ()
    """Where it holds and what is known against it."""
    misprints: tuple[str, ...] = ()
    """Errors of other prints of it, not taken over."""
    family: str = ""
    """Tables of one family differ by maturity of the hybrid and may be read together."""
    maturity: str = ""
    """full or short; empty where the table does not tell."""
    extrapolated_after_day: float = math.nan
    """After this day the source itself extrapolated. [d]"""
    lowest_yield_kg_ha: float = math.nan
    """The source does not hold below this full yield. [kg/ha]"""
    low_yield_note: str = ""
    """The same in words."""

    def at(self, stand_per_ha: float, date: dt.date, hold_edge: bool = False) -> Reading:
        """Yield at a stand and planting date, linear between cells.

        Parameters
        ----------
        stand_per_ha : float
            [1/ha]
        date : date
            Its year does not matter.
        hold_edge : bool
            Take the nearest cell outside the grid, and say so in `held`. Never the default: a thin stand does not yield
            like the thinnest that was printed.

        Returns
        -------
        Reading
        """
        held = []
        edges = self.stand_per_ha[[0, -1]]
        stand = stand_per_ha
        if not math.isfinite(stand):
            return Reading(math.nan, UNREAD)
        tolerance = 1e-9 * edges[1]  # the noise of the way from acres to hectares
        if not edges[0] - tolerance <= stand <= edges[1] + tolerance:
            side, limit = (BELOW, float(edges[0])) if stand < edges[0] else (ABOVE, float(edges[1]))
            if not hold_edge:
                return Reading(math.nan, side, limit)
            held.append(side)
        stand = min(max(stand, edges[0]), edges[1])
        day = self._day(date)
        if not self.day[0] <= day <= self.day[-1]:
            side, end = (BEFORE, self.day[0]) if day < self.day[0] else (AFTER, self.day[-1])
            if not hold_edge:
                return Reading(math.nan, side, from_day(float(end)))
            held.append(side)
            day = float(end)
        i, u = _place(self.stand_per_ha, stand)
        j, v = _place(self.day, day)
        total = 0.0
        for row, share in ((i, 1 - u), (i + 1, u)):
            for column, part in ((j, 1 - v), (j + 1, v)):
                if share * part > 0:  # a cell without weight need not have been read
                    total += share * part * self.percent[row, column]
        if math.isnan(total):
            return Reading(math.nan, UNREAD, held=", ".join(held))
        return Reading(float(total), held=", ".join(held))

    def over(
        self, low_per_ha: float, high_per_ha: float, date: dt.date, hold_edge: bool = False
    ) -> tuple[float, float, bool]:
        """Lowest and highest yield over a range of stands, and whether the range was cut at the table's edge.

        NaN where no part of the range is answered. A thinner stand may yield more than a thicker one, so all printed
        stands within the range are looked at.
        """
        edge_low, edge_high = float(self.stand_per_ha[0]), float(self.stand_per_ha[-1])
        low, high = (low_per_ha, high_per_ha) if hold_edge else (max(low_per_ha, edge_low), min(high_per_ha, edge_high))
        cut = low > low_per_ha * (1 + 1e-9) or high < high_per_ha * (1 - 1e-9)
        if low > high:
            return math.nan, math.nan, True
        inner = self.stand_per_ha[(self.stand_per_ha > low) & (self.stand_per_ha < high)]
        values = [self.at(float(s), date, hold_edge).percent for s in (low, *inner, high)]
        known = [v for v in values if math.isfinite(v)]
        if not known:
            return math.nan, math.nan, cut
        return min(known), max(known), cut or len(known) < len(values)

    def thin_bounds(self, stand_per_ha: float, date: dt.date) -> tuple[float, float]:
        """Bounds of the yield of a stand thinner than the thinnest printed; NaN where the date is not answered. [%]

        More plants help less and less, and no plants yield nothing: so the yield lies above the straight line from
        nothing to the thinnest cell, and below the line through the two thinnest cells carried on. Derived here, in no
        source; the published tables keep to it but for Iowa's drop from 24,000 to 20,000 per acre.
        """
        edge = float(self.stand_per_ha[0])
        first = self.at(edge, date).percent
        if stand_per_ha <= 0:
            return (0.0, 0.0) if math.isfinite(first) else (math.nan, math.nan)
        low = high = first * stand_per_ha / edge
        if len(self.stand_per_ha) > 1:
            second = self.at(float(self.stand_per_ha[1]), date).percent
            slope = max((second - first) / (float(self.stand_per_ha[1]) - edge), 0.0)
            high = first - slope * (edge - stand_per_ha)
        else:
            high = first
        return low, max(low, high)

    def best(self, date: dt.date, hold_edge: bool = False) -> tuple[float, float]:
        """Stand that yields most on a date, and that yield; NaN where the date is not answered. [1/ha], [%]"""
        values = np.array([self.at(float(s), date, hold_edge).percent for s in self.stand_per_ha])
        if np.isnan(values).all():
            return math.nan, math.nan
        at = int(np.nanargmax(values))
        return float(self.stand_per_ha[at]), float(values[at])

    def extrapolated(self, date: dt.date) -> bool:
        """Whether the source itself had no data so late."""
        return bool(self._day(date) > self.extrapolated_after_day)

    def _day(self, date: dt.date) -> float:
        day = to_day(date.month, date.day)
        later = day + 365
        # a season that runs over New Year
        return later if day < self.day[0] and self.day[-1] > 365 and later <= self.day[-1] + 182 else day


def to_day(month: int, day: int) -> float:
    """Days since 1 January; 29 February counts as the 28th. [d]"""
    if (month, day) == (2, 29):
        day = 28
    return float(dt.date(_YEAR, month, day).timetuple().tm_yday)


def from_day(day: float) -> dt.date:
    """Date of a day of `to_day`, its year of no meaning."""
    return dt.date(_YEAR, 1, 1) + dt.timedelta(days=(int(day) - 1) % 365)


def published_tables(crop: str, names: Sequence[str] = ()) -> list[ResponseTable]:
    """The tables that ship, of one crop.

    Parameters
    ----------
    crop : str
        maize or soybean.
    names : sequence of str
        Only these; all when empty.

    Raises
    ------
    BadResponseTable
        Unknown crop or name.
    """
    if crop not in CROPS:
        raise BadResponseTable(
            f"There is no table for {crop!r}.", f"Tables ship for {' and '.join(CROPS)}; give your own."
        )
    with open(DATA / "replant_tables.toml", "rb") as file:
        entries = [entry for entry in tomllib.load(file)["table"] if entry["crop"] == crop]
    known = [entry["name"] for entry in entries]
    unknown = [name for name in names if name not in known]
    if unknown:
        raise BadResponseTable(
            f"There is no {crop} table named {', '.join(unknown)}.", f"Known are: {', '.join(known)}."
        )
    return [_made(entry) for entry in entries if not names or entry["name"] in names]


def _made(entry: dict) -> ResponseTable:
    if "file" in entry:
        stand, day, percent = parse_table((DATA / entry["file"]).read_text(encoding="utf-8"), entry["file"])
    else:
        stand = np.array([units.per_ha(s) for s in entry["stand_per_acre"]])
        day = np.array([to_day(*map(int, text.split("-"))) for text in entry["date"]])
        percent = np.outer(entry["stand_pct"], entry["date_pct"]) / 100
    lowest = entry.get("lowest_yield_bu_acre")
    return ResponseTable(
        entry["name"], entry["title"], entry["crop"], entry["source"], entry["mark"], stand, day, percent,
        entry.get("region", ""), tuple(entry.get("notes", ())), tuple(entry.get("misprints", ())),
        entry.get("family", ""), entry.get("maturity", ""),
        to_day(*map(int, entry["extrapolated_after"].split("-"))) if "extrapolated_after" in entry else math.nan,
        math.nan if lowest is None else units.kg_per_ha(lowest, entry["crop"]), entry.get("low_yield_note", ""),
    )  # fmt: skip


def read_own_table(path: str | Path, crop: str) -> ResponseTable:
    """A user's own table.

    A CSV: the first column is the stand, its heading naming the unit (``stand_per_ha`` or ``stand_per_acre``); the
    further headings are planting dates ``MM-DD`` or windows ``MM-DD/MM-DD`` in the order of the season; cells are
    yield in percent of a full stand planted on time. Cells may be empty, stands may be ranges (``28000-32000``).

    Raises
    ------
    BadResponseTable
        All mistakes in one message, by line.
    """
    path = Path(path)
    try:
        text = read_file(path, MOST_TEXT_BYTES).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadResponseTable(f"Table {path} cannot be read: {error}.", "Save it as CSV in UTF-8.") from None
    stand, day, percent = parse_table(text, str(path))
    return ResponseTable(OWN, f"Own table {path.name}", crop, str(path), OWN, stand, day, percent)


def parse_table(text: str, where: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stands, days and cells of a table in CSV. -> (n,) [1/ha], (m,) [d], (n, m) [%]

    Raises
    ------
    BadResponseTable
        All mistakes in one message, by line.
    """
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip(" ,;\t") and line[:1] != "#"]
    remedy = "Write a line stand_per_ha,05-01,05-15 (or stand_per_acre), then one line a stand with percents."
    if len(lines) < 2:
        raise BadResponseTable(f"Table {where} holds no stand.", remedy)
    if overlong := [n for n, line in lines if len(line) > _LONGEST_LINE]:
        raise BadResponseTable(f"Table {where}: line {overlong[0]} is far too long.", "Is it the right file?")
    delimiter = max(",;\t", key=lines[0][1].count)
    cells = [(n, [c.strip() for c in next(csv.reader([line], delimiter=delimiter))]) for n, line in lines]
    header = cells[0][1]
    wrong: list[str] = []
    per_ha = _stand_unit(header[0])
    if per_ha is None:
        wrong.append(f"the first heading {header[0]!r} does not say whether stands are per ha or per acre")
    windows = _windows(header[1:], wrong)
    stands: list[tuple[float, float]] = []
    percents: list[list[float]] = []
    for number, line in cells[1:]:
        if len(line) > len(header):
            wrong.append(f"line {number} has {len(line)} cells, the header {len(header)}")
            continue
        try:
            ends = [_number(part, delimiter) for part in line[0].split("-")]
            if len(ends) > 2 or not 0 < ends[0] <= ends[-1] < math.inf:
                raise ValueError
            stands.append((ends[0] * (per_ha or 1), ends[-1] * (per_ha or 1)))
        except ValueError:
            wrong.append(f"line {number}: stand {line[0]!r} is no number above zero or range of two")
            continue
        values = []
        for cell, heading in zip(line[1:] + [""] * (len(header) - len(line)), header[1:], strict=True):
            try:
                value = _number(cell, delimiter) if cell else math.nan
                if cell and not 0 <= value <= 150:
                    raise ValueError
            except ValueError:
                wrong.append(f"line {number}, {heading}: {cell!r} is no percent from 0 to 150")
                value = math.nan
            values.append(value)
        percents.append(values)
    order = sorted(range(len(stands)), key=lambda k: stands[k])
    for a, b in itertools.pairwise(order):
        if stands[b][0] <= stands[a][1]:
            wrong.append(f"stands {cells[1 + a][1][0]} and {cells[1 + b][1][0]} overlap")
    if wrong:
        raise BadResponseTable(f"Table {where}: " + "; ".join(wrong) + ".", remedy)
    # a range or window becomes two lines or columns with the same cells
    row_of = [k for k in order for _ in dict.fromkeys(stands[k])]
    stand = np.array([end for k in order for end in dict.fromkeys(stands[k])])
    column_of = [k for k, window in enumerate(windows) for _ in dict.fromkeys(window)]
    day = np.array([end for window in windows for end in dict.fromkeys(window)])
    grid = np.array(percents, float)[np.ix_(row_of, column_of)]
    if np.isnan(grid).all():
        raise BadResponseTable(f"Table {where} has no percents.", remedy)
    return stand, day, grid


def _stand_unit(heading: str) -> float | None:
    """Plants per ha of one of the table's units; None where the heading does not tell."""
    words = heading.lower().replace("_", " ").replace("/", " ").replace("(", " ").replace(")", " ").split()
    acre, ha = bool({"acre", "ac", "acres"} & set(words)), bool({"ha", "hectare", "hectares"} & set(words))
    if acre == ha:
        return None
    return units.ACRES_PER_HA if acre else 1.0


def _windows(headings: list[str], wrong: list[str]) -> list[tuple[float, float]]:
    """First and last day of each column, rising; a day that two windows share belongs to the earlier."""
    windows: list[tuple[float, float]] = []
    if not headings:
        wrong.append("there is no column with a date")
    for heading in headings:
        try:
            ends = [to_day(*_month_day(part)) for part in heading.split("/")]
            if len(ends) > 2:
                raise ValueError
        except ValueError:
            wrong.append(f"heading {heading!r} is no date MM-DD or window MM-DD/MM-DD")
            continue
        start, end = ends[0], ends[-1]
        if windows:
            # columns stand in the order of the season, which may run over New Year
            year = 365 * (windows[-1][1] // 366)
            start += year
            if start < windows[-1][1] - 182:
                start += 365
            end += start - ends[0]
        if end < start:
            end += 365
        if windows and start == windows[-1][1] and end > start:
            start += 1
        if windows and start <= windows[-1][1]:
            wrong.append(f"heading {heading!r} does not follow the date before it")
            continue
        windows.append((start, end))
    if windows and windows[-1][1] - windows[0][0] >= 365:
        wrong.append("the dates span a year or more")
    return windows


def _month_day(text: str) -> tuple[int, int]:
    month, day = text.strip().split("-")
    return int(month), int(day)


def _number(text: str, delimiter: str) -> float:
    if delimiter != "," and "," in text:
        text = text.replace(",", ".")
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _place(axis: np.ndarray, at: float) -> tuple[int, float]:
    """Cell below a place on an axis, and how far into the next, 0 to 1."""
    if len(axis) == 1:
        return 0, 0.0
    i = min(max(int(np.searchsorted(axis, at, side="right")) - 1, 0), len(axis) - 2)
    share = (at - axis[i]) / (axis[i + 1] - axis[i])
    return i, float(min(max(share, 0.0), 1.0))
