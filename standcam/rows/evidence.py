"""Where a row begins and ends, and whether it is one: cells along it that hold plants, against the ground beside it.

A cell counts by its likeliest plant, so a clump is one cell. The stretch of a row is the one whose cells speak most for
it: missing stretches within are outweighed by what follows, and past the last plant nothing speaks for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.settings import StripRowSettings

_CLEAR_SD = 3.0
"""Half width of the corridor of a row, in SDs of its plants."""
_NARROWEST_CM, _WIDEST_CM = 4.0, 12.0
_LEAST_CHANCE = 0.02
"""Share of cells that hold a plant by chance is never taken to be lower."""
_NEAR_CELLS, _PRIOR_CELLS = 10, 5
"""Cells before or behind by which chance is told at a place, and cells of the usual chance set beside them: on a
headland or in a patch of weeds more cells are held by chance."""
_LEAST_ROOM_CM = 1.6
_NO_ROOM = 0.6
_PRIOR_CM2 = 300.0
"""Ground as full as row and surroundings together that is set beside the ground beside a row. [cm²]"""
_PATCHY = 0.5
"""Within a row, places at this share of its usual fullness still are row."""
_MOST_CELLS = 500_000
"""Cells of all rows that are weighed at once."""
_PER_FREEDOM = 2.3
"""Log likelihood that each freedom of a line costs: it was chosen among some ten."""


@dataclass(frozen=True)
class Stretches:
    """What the plants say of each row. All (r,)."""

    first_cm: np.ndarray
    """First plant, in u; NaN where there is no row. [cm]"""
    last_cm: np.ndarray
    plants: np.ndarray
    """Cells that hold a plant, weighted."""
    full: np.ndarray
    """Share of cells that the row fills by itself, chance taken off."""
    chance: np.ndarray
    """Share that would by chance, as on the ground beside it."""
    evidence: np.ndarray
    """Log likelihood for the row, less the price of its freedom."""
    corridor_cm: np.ndarray
    """Half width within which its plants lie. [cm]"""


def corridors(sd_cm: np.ndarray, width_cm: float) -> np.ndarray:
    """Half widths within which plants of rows lie. [cm]"""
    widest = min(0.3 * width_cm, _WIDEST_CM)
    return np.clip(_CLEAR_SD * sd_cm, min(_NARROWEST_CM, widest), widest)


def beside_rows(corridor_cm: np.ndarray, width_cm: float) -> tuple[np.ndarray, float]:
    """From where to where off a line the ground counts as beside the row. (r,), [cm] -> (r,), [cm]"""
    return np.minimum(1.3 * corridor_cm, 0.33 * width_cm), 0.45 * width_cm


def weigh_rows(
    row: np.ndarray,
    u: np.ndarray,
    off: np.ndarray,
    weight: np.ndarray,
    corridor_cm: np.ndarray,
    beside_cm: tuple[np.ndarray, float],
    room_cm: np.ndarray,
    settings: StripRowSettings,
) -> Stretches:
    """First and last plant of rows and how much speaks for each.

    Parameters
    ----------
    row, u, off, weight : (n,) arrays
        Points with the line each is nearest to, place along, distance across [cm] and weight (0 to 1).
    corridor_cm : (r,) array
        From :func:`corridors`.
    beside_cm : (r,) array and float
        From where to where off a line the ground counts as beside the row. [cm]
    room_cm : (r,) array
        How much of that, both sides together, is nearer to this line than to any other. [cm]
    """
    rows = len(corridor_cm)
    order = np.lexsort((u, row))
    row, u, off, weight = row[order], u[order], np.abs(off[order]), weight[order]
    on = off <= corridor_cm[row]
    beside = (off > beside_cm[0][row]) & (off <= beside_cm[1])
    none, zero = np.full(rows, np.nan), np.zeros(rows)
    out = Stretches(none, none.copy(), zero, zero.copy(), zero.copy(), np.full(rows, -np.inf), corridor_cm)
    held = _Points(row[on], u[on], weight[on])
    strewn = _Points(row[beside], u[beside], weight[beside])
    which, first, end = held.parts()
    cells = ((held.u[end - 1] - held.u[first]) / settings.cell_cm).astype(np.int64) + 1
    # rows of like length together, so many that their cells fit a table
    by_length = np.argsort(cells, kind="stable")
    begin = 0
    while begin < len(by_length):
        widest = cells[by_length[begin:]] * np.arange(1, len(by_length) - begin + 1)
        some = by_length[begin : begin + max(1, int(np.searchsorted(widest, _MOST_CELLS, side="right")))]
        begin += len(some)
        some = np.sort(some)
        _weigh(out, which[some], cells[some], held, strewn, corridor_cm, room_cm, settings)
    return out


@dataclass(frozen=True)
class _Points:
    """Some points, in the order of their rows and along them."""

    row: np.ndarray
    u: np.ndarray
    weight: np.ndarray

    def parts(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Rows that have any, and the first and one past the last of each."""
        which, first = np.unique(self.row, return_index=True)
        return which, first, np.append(first, len(self.row))[1:]

    def of(self, table_row: np.ndarray) -> tuple[np.ndarray, _Points]:
        """Those of some rows, with the place of each one's row among these (-1 for others)."""
        place = table_row[self.row]
        own = place >= 0
        return place[own], _Points(self.row[own], self.u[own], self.weight[own])


def _weigh(
    out: Stretches,
    which: np.ndarray,
    cells: np.ndarray,
    held_by: _Points,
    beside: _Points,
    corridor_cm: np.ndarray,
    room_cm: np.ndarray,
    settings: StripRowSettings,
) -> None:
    """Fill in what is said of some rows, which have so many cells each: all of them at once."""
    cell, n, wide = settings.cell_cm, len(which), int(cells.max())
    corridor, room = corridor_cm[which], room_cm[which]
    table_row = np.full(len(corridor_cm), -1)
    table_row[which] = np.arange(n)
    there = np.arange(wide) < cells[:, None]
    place, on = held_by.of(table_row)
    starts = np.searchsorted(place, np.arange(n))
    low_u, high_u = on.u[starts], on.u[np.r_[starts[1:], len(place)] - 1]
    index = ((on.u - low_u[place]) / cell).astype(np.int64)
    flat = place * wide + index
    new = np.flatnonzero(np.diff(flat, prepend=-1))
    held = np.zeros((n, wide))
    held.ravel()[flat[new]] = np.maximum.reduceat(on.weight, new)
    # the ground beside the row, as far as the next
    at, off = beside.of(table_row)
    near = (off.u >= low_u[at]) & (off.u <= high_u[at])
    at, off_u, off_w = at[near], off.u[near], off.weight[near]
    far = at * wide + ((off_u - low_u[at]) / cell).astype(np.int64)
    strewn = np.bincount(far, off_w, n * wide).reshape(n, wide)
    # little ground beside a row says little: where it is bare, that may be chance
    length = cells * cell
    mixed = (np.bincount(place, on.weight, n) + strewn.sum(axis=1)) / (length * (2 * corridor + room))
    prior = _PRIOR_CM2 / length
    density = (strewn / cell + (mixed * prior)[:, None]) / (room + prior)[:, None]
    chance = _chances(density * (cell * 2 * corridor)[:, None] * there, cells)
    # lines so near to each other leave no ground to tell chance by: it is taken to be high
    tight = room < _LEAST_ROOM_CM
    chance[tight] = np.clip(_NO_ROOM * held.sum(axis=1) / cells, _LEAST_CHANCE, 0.9)[tight, None]
    run, low, high = there, np.zeros(n, np.int64), cells
    own = _own_share(held, chance, run)
    for _ in range(3):
        low, high = _best_runs(np.where(there, _gain(held, chance, _PATCHY * own), -1e6))
        run = (np.arange(wide) >= low[:, None]) & (np.arange(wide) < high[:, None])
        own = _own_share(held, chance, run)
    inside = (index >= low[place]) & (index < high[place])
    place, u, w = place[inside], on.u[inside], on.weight[inside]
    total = np.bincount(place, w, n)
    least = np.where(total > 0, 0.5 * np.bincount(place, w * w, n) / np.where(total > 0, total, 1.0), 0.0)
    solid = w >= least[place]
    place, u = place[solid], u[solid]
    first = np.searchsorted(place, np.arange(n))
    last = np.searchsorted(place, np.arange(n), side="right") - 1
    some = last >= first
    out.first_cm[which[some]], out.last_cm[which[some]] = u[first[some]], u[last[some]]
    out.plants[which], out.full[which] = (held * run).sum(axis=1), own
    out.chance[which] = (chance * run).sum(axis=1) / (high - low)
    surprise = (_gain(held, chance, own) * run).sum(axis=1)
    out.evidence[which] = surprise - _PER_FREEDOM * (2 + (high - low) * cell / (2 * settings.knots_cm))


def _gain(held: np.ndarray, chance: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Log likelihood of cells for rows that fill so much of them, chance filling its share as well. (r, n), (r,)"""
    empty = (1 - own)[:, None] * (1 - chance)
    return held * np.log((1 - empty) / chance) + (1 - held) * np.log(1 - own)[:, None]


def _own_share(held: np.ndarray, chance: np.ndarray, run: np.ndarray) -> np.ndarray:
    """Share of cells that a row fills by itself, by how many are empty; cells that chance leaves empty weigh more.

    Of the cells of a run. (r, n) each -> (r,)
    """
    free = (1 - chance) * run
    return np.clip(1 - ((1 - held) * free).sum(axis=1) / (free * free).sum(axis=1), 0.02, 0.97)


def _chances(strewn: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Share of cells that hold a plant by chance: as beside the row, some metres about each cell. (r, n) -> (r, n)

    Beyond the cells that a row has, nothing is strewn.
    """
    total = _summed(strewn)
    index = np.arange(strewn.shape[1])
    usual = (_PRIOR_CELLS * total[:, -1] / cells)[:, None]
    # before a cell and behind it: at the end of a row the ground ahead is what counts
    first = np.maximum(index - _NEAR_CELLS, 0)
    end = np.maximum(np.minimum(index + _NEAR_CELLS + 1, cells[:, None]), index + 1)
    before = (total[:, 1:] - total[:, first] + usual) / (index + 1 - first + _PRIOR_CELLS)
    behind = (np.take_along_axis(total, end, axis=1) - total[:, :-1] + usual) / (end - index + _PRIOR_CELLS)
    return np.clip(1 - np.exp(-np.maximum(before, behind)), _LEAST_CHANCE, 0.9)


def _best_runs(gain: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Run of cells with the greatest sum of each row, as first and one past the last. (r, n) -> (r,), (r,)"""
    total = _summed(gain)
    lowest = np.minimum.accumulate(total, axis=1)
    high = (total[:, 1:] - lowest[:, :-1]).argmax(axis=1) + 1
    low = np.where(np.arange(total.shape[1]) < high[:, None], total, np.inf).argmin(axis=1)
    return low, high


def _summed(values: np.ndarray) -> np.ndarray:
    """Sums of all values before each, and of all, row by row. (r, n) -> (r, n + 1)"""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def usual_spacing(row: np.ndarray, u: np.ndarray, rows: int, fallback_cm: float) -> float:
    """Median distance of neighbours along rows, doubles left out. [cm]"""
    order = np.lexsort((u, row))
    apart = np.diff(u[order])[np.diff(row[order]) == 0]
    apart = apart[apart >= 3.0]
    return float(np.median(apart)) if len(apart) >= 3 else fallback_cm
