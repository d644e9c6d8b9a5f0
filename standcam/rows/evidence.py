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
    corridor, cell = corridor_cm, settings.cell_cm
    rows = len(corridor)
    order = np.lexsort((u, row))
    row, u, off, weight = row[order], u[order], np.abs(off[order]), weight[order]
    begins = np.searchsorted(row, np.arange(rows + 1))
    none, zero = np.full(rows, np.nan), np.zeros(rows)
    out = Stretches(none, none.copy(), zero, zero.copy(), zero.copy(), np.full(rows, -np.inf), corridor)
    for r in range(rows):
        part = slice(begins[r], begins[r + 1])
        on = off[part] <= corridor[r]
        at, w = u[part][on], weight[part][on]
        if not len(at):
            continue
        index = np.floor((at - at[0]) / cell).astype(np.int64)
        held = np.zeros(int(index[-1]) + 1)
        np.maximum.at(held, index, w)
        # the ground beside the row, as far as the next
        inner, outer = beside_cm[0][r], beside_cm[1]
        beside = (off[part] > inner) & (off[part] <= outer) & (u[part] >= at[0]) & (u[part] <= at[-1])
        if room_cm[r] < _LEAST_ROOM_CM:
            # lines so near to each other leave no ground to tell chance by: it is taken to be high
            chance = np.full(len(held), np.clip(_NO_ROOM * held.mean(), _LEAST_CHANCE, 0.9))
        else:
            place = np.floor((u[part][beside] - at[0]) / cell).astype(np.int64)
            strewn = np.bincount(place, weight[part][beside], len(held))[: len(held)]
            # little ground beside a row says little: where it is bare, that may be chance
            length = len(held) * cell
            mixed = (w.sum() + strewn.sum()) / (length * (2 * corridor[r] + room_cm[r]))
            density = (strewn / cell + mixed * _PRIOR_CM2 / length) / (room_cm[r] + _PRIOR_CM2 / length)
            chance = _chances(density * cell * 2 * corridor[r])
        low, high = 0, len(held)
        own = _own_share(held, chance)
        for _ in range(3):
            low, high = _best_run(_gain(held, chance, _PATCHY * own))
            own = _own_share(held[low:high], chance[low:high])
        inside = (index >= low) & (index < high)
        at, w = at[inside], w[inside]
        solid = at[w >= 0.5 * (w * w).sum() / w.sum()] if w.sum() > 0 else at
        surprise = float(_gain(held[low:high], chance[low:high], own).sum())
        out.first_cm[r], out.last_cm[r] = solid[0], solid[-1]
        out.plants[r], out.full[r], out.chance[r] = held[low:high].sum(), own, float(chance[low:high].mean())
        out.evidence[r] = surprise - _PER_FREEDOM * (2 + (high - low) * cell / (2 * settings.knots_cm))
    return out


def _gain(held: np.ndarray, chance: np.ndarray, own: float) -> np.ndarray:
    """Log likelihood of cells for a row that fills so much of them, chance filling its share as well. (n,) -> (n,)"""
    empty = (1 - own) * (1 - chance)
    return held * np.log((1 - empty) / chance) + (1 - held) * np.log(1 - own)


def _own_share(held: np.ndarray, chance: np.ndarray) -> float:
    """Share of cells that a row fills by itself, by how many are empty; cells that chance leaves empty weigh more."""
    own = 1 - float((1 - held) @ (1 - chance)) / float((1 - chance) @ (1 - chance))
    return min(max(own, 0.02), 0.97)


def _chances(strewn: np.ndarray) -> np.ndarray:
    """Share of cells that hold a plant by chance: as beside the row, some metres about each cell. (n,) -> (n,)"""
    total = _summed(strewn)
    n, near = len(strewn), _NEAR_CELLS
    index = np.arange(n)
    usual = _PRIOR_CELLS * float(strewn.mean())
    # before a cell and behind it: at the end of a row the ground ahead is what counts
    first, end = np.maximum(index - near, 0), np.minimum(index + near + 1, n)
    before = (total[1:] - total[first] + usual) / (index + 1 - first + _PRIOR_CELLS)
    behind = (total[end] - total[:-1] + usual) / (end - index + _PRIOR_CELLS)
    highest = np.maximum(before, behind)
    return np.clip(1 - np.exp(-highest), _LEAST_CHANCE, 0.9)


def _best_run(gain: np.ndarray) -> tuple[int, int]:
    """Run of cells with the greatest sum, as first and one past the last."""
    total = _summed(gain)
    lowest = np.minimum.accumulate(total)
    high = int((total[1:] - lowest[:-1]).argmax()) + 1
    low = int(total[:high].argmin())
    return low, high


def _summed(values: np.ndarray) -> np.ndarray:
    """Sums of all values before each, and of all. (n,) -> (n + 1,)"""
    total = np.zeros(len(values) + 1)
    np.cumsum(values, out=total[1:])
    return total


def usual_spacing(row: np.ndarray, u: np.ndarray, rows: int, fallback_cm: float) -> float:
    """Median distance of neighbours along rows, doubles left out. [cm]"""
    order = np.lexsort((u, row))
    apart = np.diff(u[order])[np.diff(row[order]) == 0]
    apart = apart[apart >= 3.0]
    return float(np.median(apart)) if len(apart) >= 3 else fallback_cm
