"""Rows of one direction: from the squares of a group to lines with ends, numbered across."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from standcam import flags
from standcam.rows import bearing
from standcam.rows.bearing import Blocks
from standcam.rows.curve import CurvedRow
from standcam.rows.evidence import Stretches, beside_rows, corridors, usual_spacing, weigh_rows
from standcam.rows.smooth import SLAB_CM, Lines, Slabs, fit_lines, straight_lines
from standcam.rows.strip_ends import Frame, bare_ground, cut_out, row_ends
from standcam.rows.trace import Bands, Slopes, rhythm, trace_rows
from standcam.rows.trace_join import joined
from standcam.settings import StripRowSettings

_ALONE_CM = 60.0
"""Stands for the row width where there is a single row."""
_BESIDE_CM = 50.0
"""Line drawn past the ends, and distance of its vertices."""
_SIDE_BY_SIDE = 3.5
"""Rows farther apart than so many row widths are no neighbours."""
_ROUNDS, _MOST_ROUNDS = 3, 9
"""Times that lines are drawn; on to the greater number while an end still moves out."""
_FREE = 0.7
"""Share of their common length over which no row lies between two, for a thin one to be looked for."""
_IN_RHYTHM = 0.22
"""Distances that differ by less than this share of the row width from a multiple of it keep the rhythm."""
_FAINT = 0.4
"""Points of less than this share of the usual weight are no plants to measure distances by."""
_FAR_OFF_CM = 18.0
"""Plants farther off a first guess are no plants of the row."""
_NARROWER = 0.65
_FEWEST = 0.6
"""Share of the fewest plants without which there is no row, sure or unsure."""
_LEAST_EVIDENCE = -0.2
"""Share of the evidence asked with which a row in rhythm with others is one: they tell its place, so its freedom costs
less than was taken off."""
_TIGHT = 0.18
"""Plants of a row scatter less than this share of the row width."""
_GROUP_EVIDENCE = 1.4
"""The rows of a group together need so many times the evidence that one needs: the direction was chosen too."""


def frame_of(blocks: Blocks, member: np.ndarray) -> Frame:
    """The frame of some squares; its direction lies in -45 to 135 degrees."""
    angle = bearing.mean_angle(blocks.angle_deg[member], blocks.plants[member])
    return Frame((angle + 45) % 180 - 45)


@dataclass(frozen=True)
class FoundGroup:
    """Rows of one direction, left to right."""

    rows: tuple[CurvedRow, ...]
    spells: tuple[np.ndarray, ...]
    open_ends: np.ndarray
    gap_left_cm: np.ndarray
    direction_deg: float
    width_cm: float
    rhythm_cm: float
    spacing_cm: float
    corridor_cm: float
    notes: tuple[str, ...]

    def only(self, kept: np.ndarray) -> FoundGroup:
        """Some of the rows; the distance to a neighbour that is left out is not known."""
        index = np.flatnonzero(kept)
        gap = np.where(np.r_[False, kept[:-1]], self.gap_left_cm, np.nan)
        return replace(
            self,
            rows=tuple(self.rows[k] for k in index),
            spells=tuple(self.spells[k] for k in index),
            open_ends=self.open_ends[kept],
            gap_left_cm=gap[kept],
        )


def find_group(
    points_cm: np.ndarray,
    weight: np.ndarray,
    even: np.ndarray,
    blocks: Blocks,
    member: np.ndarray,
    valid: Callable[[np.ndarray], np.ndarray] | None,
    row_width_cm: float | None,
    settings: StripRowSettings,
) -> list[FoundGroup]:
    """Rows of one group of squares, in parts that lie side by side; empty where there are none.

    Parameters
    ----------
    points_cm : (n, 2) array
        Points in and around its squares. [cm]
    weight, even : (n,) arrays
        Weights from 0 to 1, and with clumps lowered.
    """
    frame = frame_of(blocks, member)
    uv = points_cm @ frame.axes
    slope = -np.tan(np.deg2rad(frame.turn_deg(blocks.angle_deg[member])))
    slopes = Slopes(blocks.centre_cm[member] @ frame.axes, slope, blocks.plants[member], settings.block_cm)
    bands = Bands(uv, even, slopes, settings)
    told = rhythm([bands.raw(k) for k in range(len(bands.middles))], settings)
    width = row_width_cm or told
    traces = trace_rows(bands, width, settings)
    del bands
    if not len(traces.row):
        return []
    traces = joined(traces, slopes, width if np.isfinite(width) else _ALONE_CM, settings)
    rows = int(traces.row.max()) + 1
    low, high = np.full(rows, np.inf), np.full(rows, -np.inf)
    np.minimum.at(low, traces.row, traces.u)
    np.maximum.at(high, traces.row, traces.u)
    seen = np.isfinite(low)
    renumber = np.cumsum(seen) - 1
    low, high = low[seen] - settings.band_cm, high[seen] + settings.band_cm
    lines = straight_lines(low, high, settings)
    lines, _ = fit_lines(lines, renumber[traces.row], traces.u, traces.v, 0.2 + traces.heap, settings, robust=False)
    wide = width if np.isfinite(width) else _ALONE_CM
    drawn = _drawn(lines, low, high, uv, weight, even, wide, settings)
    if len(drawn[1]) > 1 and (more := _with_thin_rows(drawn[0], drawn[2], wide, settings)) is not None:
        drawn = _drawn(*more, uv, weight, even, wide, settings)
    lines, sd, stretch, of, off = drawn
    if not len(sd):
        return []
    out = []
    part = _parts(lines, stretch, wide)
    for k in range(int(part.max()) + 1):
        kept = part == k
        renumber = np.where(kept, np.cumsum(kept) - 1, -1)
        some = Stretches(*(getattr(stretch, name)[kept] for name in Stretches.__dataclass_fields__))
        mine = np.where(of >= 0, renumber[np.maximum(of, 0)], -1)
        group = _finished(frame, _only(lines, kept), sd[kept], some, mine, off, uv, weight, valid, wide, told, settings)
        if group is not None:
            out.append(group)
    return out


def _parts(lines: Lines, stretch: Stretches, width: float) -> np.ndarray:
    """Rows that run side by side, or are joined by such: ranges of plots, which lie end to end, are parts. (r,)"""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    left, right, apart = Slabs.of(lines, stretch.first_cm, stretch.last_cm).neighbours()
    near = apart <= _SIDE_BY_SIDE * width
    n = len(lines.begin)
    joined = coo_array((np.ones(int(near.sum())), (left[near], right[near])), shape=(n, n))
    return connected_components(joined, directed=False)[1]


def _drawn(
    lines: Lines,
    low: np.ndarray,
    high: np.ndarray,
    uv: np.ndarray,
    weight: np.ndarray,
    even: np.ndarray,
    width: float,
    settings: StripRowSettings,
) -> tuple[Lines, np.ndarray, Stretches, np.ndarray, np.ndarray]:
    """Lines drawn through their plants, ends moved to where plants speak for them, false lines dropped."""
    reach = np.full(len(low), min((0.35 if width > 40 else 0.42) * width, _FAR_OFF_CM))
    before, final = (np.full(len(low), np.nan), np.full(len(low), np.nan)), False
    for step in range(_MOST_ROUNDS):
        of, off = Slabs.of(lines, low, high).nearest(uv)
        near = (of >= 0) & (np.abs(off) <= reach[np.maximum(of, 0)])
        lines = straight_lines(low, high, settings)
        lines, sd = fit_lines(lines, of[near], uv[near, 0], uv[near, 1], even[near], settings)
        stretch, of, off = _weighed(lines, low, high, sd, uv, weight, width, settings)
        if final:
            break
        kept = _are_lines(lines, stretch, width)
        # the corridor narrows from round to round: weeds beside a row must not set how wide it is
        reach = np.minimum(reach, np.maximum(reach * _NARROWER, np.maximum(4 * sd, 6.0)))
        # a little farther than the plants, so that the end may yet move on
        moved = np.fmax(before[0] - stretch.first_cm, stretch.last_cm - before[1])[kept]
        still = step >= _ROUNDS - 1 and not (moved > _BESIDE_CM).any()
        final = still or step == _MOST_ROUNDS - 2
        more = _BESIDE_CM if final else settings.band_cm
        before = stretch.first_cm[kept], stretch.last_cm[kept]
        low, high = stretch.first_cm[kept] - more, stretch.last_cm[kept] + more
        lines, reach, sd = _only(lines, kept), reach[kept], sd[kept]
        if not kept.any():
            return lines, sd, stretch, of, off
    # without the lines that are none, the ground that they took counts as beside the others
    while len(sd) and not (kept := _are_rows(lines, stretch, sd, width, settings)).all():
        low, high = stretch.first_cm[kept] - _BESIDE_CM, stretch.last_cm[kept] + _BESIDE_CM
        lines, sd = _only(lines, kept), sd[kept]
        if len(sd):
            stretch, of, off = _weighed(lines, low, high, sd, uv, weight, width, settings)
    return lines, sd, stretch, of, off


def _with_thin_rows(
    lines: Lines, stretch: Stretches, width: float, settings: StripRowSettings
) -> tuple[Lines, np.ndarray, np.ndarray] | None:
    """The lines, and between those two or three row widths apart lines where a row may be too thin to be followed.

    None where there is no such place.
    """
    n = len(lines.begin)
    left, right, apart = Slabs.of(lines, stretch.first_cm, stretch.last_cm).neighbours()
    pair, index, count = np.unique(left * n + right, return_inverse=True, return_counts=True)
    mean = np.bincount(index, apart, len(pair)) / np.maximum(count, 1)
    low, high = list(stretch.first_cm), list(stretch.last_cm)
    row, u, v = [], [], []
    for r in range(n):
        at = np.arange(low[r], high[r] + _BESIDE_CM, _BESIDE_CM)
        row.append(np.full(len(at), r))
        u.append(at)
        v.append(lines.v(row[-1], at))
    for between, distance, slabs in zip(pair.tolist(), mean.tolist(), count.tolist(), strict=True):
        a, b = between // n, between % n
        steps = round(distance / width)
        first, last = max(low[a], low[b]), min(high[a], high[b])
        if steps not in (2, 3) or abs(distance - steps * width) > _IN_RHYTHM * width or last - first < settings.band_cm:
            continue
        if slabs * SLAB_CM < _FREE * (last - first):
            continue
        at = np.arange(first, last + _BESIDE_CM, _BESIDE_CM)
        ends = [lines.v(np.full(len(at), k), at) for k in (a, b)]
        for step in range(1, steps):
            row.append(np.full(len(at), len(low)))
            u.append(at)
            v.append(ends[0] + (ends[1] - ends[0]) * step / steps)
            low.append(first)
            high.append(last)
    if len(low) == n:
        return None
    begin, end = np.array(low) - _BESIDE_CM, np.array(high) + _BESIDE_CM
    of, at = np.concatenate(row), np.concatenate(u)
    again, _ = fit_lines(
        straight_lines(begin, end, settings), of, at, np.concatenate(v), np.ones(len(at)), settings, robust=False
    )
    return again, begin, end


def _weighed(
    lines: Lines,
    low: np.ndarray,
    high: np.ndarray,
    sd: np.ndarray,
    uv: np.ndarray,
    weight: np.ndarray,
    width: float,
    settings: StripRowSettings,
) -> tuple[Stretches, np.ndarray, np.ndarray]:
    """What the plants say of lines, the nearest line of each point and how far right of it."""
    slabs = Slabs.of(lines, low, high)
    of, off = slabs.nearest(uv)
    has = of >= 0
    corridor = corridors(sd, width)
    beside = beside_rows(corridor, width)
    room = slabs.room(len(sd), *beside)
    return weigh_rows(of[has], uv[has, 0], off[has], weight[has], corridor, beside, room, settings), of, off


def _only(lines: Lines, kept: np.ndarray) -> Lines:
    """Some of the lines."""
    size = lines.spans + 3
    chosen = np.repeat(kept, size)
    first = np.cumsum(size[kept]) - size[kept]
    return Lines(lines.begin[kept], lines.spans[kept], first, lines.knot_cm, lines.coefficients[chosen])


def _are_lines(lines: Lines, stretch: Stretches, width: float) -> np.ndarray:
    """Which lines to go on with: some plants, and no better line on top. (r,) bool"""
    kept = (stretch.plants > 0) & (stretch.last_cm > stretch.first_cm)
    low, high = np.where(kept, stretch.first_cm, 0.0), np.where(kept, stretch.last_cm, -1e3)
    slabs = Slabs.of(lines, low, high)
    left, right, apart = slabs.neighbours()
    slots = np.bincount(slabs.row, minlength=len(kept))
    close = apart < 0.5 * width
    first = stretch.plants[left] >= stretch.plants[right]
    weaker = np.where(first, right, left)[close]
    # lines on one row may cross and cross again: what counts is how much of a line lies beside any stronger one
    slab = slabs.slab[slabs.beside()][close]
    each = np.unique(np.c_[weaker, slab], axis=0)[:, 0]
    return kept & (np.bincount(each, minlength=len(kept)) <= 0.5 * slots)


def _are_rows(
    lines: Lines, stretch: Stretches, sd_cm: np.ndarray, width: float, settings: StripRowSettings
) -> np.ndarray:
    """Which lines are rows: more than chance, and where that is little, in rhythm with the others. (r,) bool

    That lines are parallel and keep a rhythm is evidence too, so that in a thin stand many weak rows bear each other
    out; a line of weeds between two rows does not keep it.
    """
    length = stretch.last_cm - stretch.first_cm
    kept = _are_lines(lines, stretch, width) & (stretch.plants >= _FEWEST * settings.fewest_plants)
    # plants strewn evenly across have a scatter of 0.22 of what they are strewn over
    kept &= (sd_cm <= _TIGHT * width) & (length >= 0.8 * settings.shortest_cm)
    kept &= stretch.evidence >= _LEAST_EVIDENCE * settings.evidence
    if not kept.any():
        return kept
    sure = kept & (stretch.evidence >= settings.evidence)
    slabs = Slabs.of(lines, np.where(kept, stretch.first_cm, 0.0), np.where(kept, stretch.last_cm, -1e3))
    left, right, apart = slabs.neighbours()
    slots = np.bincount(slabs.row, minlength=len(length))
    usual = float(np.median(np.repeat(stretch.full[kept], slots[kept])))
    strong = sure & (stretch.full >= settings.weakest_off_rhythm * usual)
    anchors = strong if strong.sum() >= 2 else kept.copy()
    for r in np.flatnonzero(kept & ~strong):
        in_rhythm = False
        for beside in (apart[(left == r) & anchors[right]], apart[(right == r) & anchors[left]]):
            steps = np.round(beside / width)
            fits = (steps >= 1) & (steps <= 3) & (np.abs(beside - steps * width) <= _IN_RHYTHM * width)
            in_rhythm |= len(beside) > 0 and bool(fits.mean() > 0.7)
        kept[r] = in_rhythm and stretch.full[r] >= settings.weakest * usual
    if stretch.evidence[kept].sum() < _GROUP_EVIDENCE * settings.evidence:
        kept[:] = False
    return kept


def _finished(
    frame: Frame,
    lines: Lines,
    sd: np.ndarray,
    stretch: Stretches,
    of: np.ndarray,
    off: np.ndarray,
    uv: np.ndarray,
    weight: np.ndarray,
    valid: Callable[[np.ndarray], np.ndarray] | None,
    width: float,
    told: float,
    settings: StripRowSettings,
) -> FoundGroup | None:
    """Rows in order, with ends and spells."""
    rows = len(sd)
    on = (of >= 0) & (np.abs(off) <= stretch.corridor_cm[np.maximum(of, 0)])
    on &= weight >= _FAINT * float(np.average(weight[on], weights=weight[on]))
    spacing = usual_spacing(of[on], uv[on, 0], rows, settings.cell_cm)
    order, gap = _order(lines, stretch)
    lines, sd = _only_ordered(lines, order), sd[order]
    first, last = stretch.first_cm[order], stretch.last_cm[order]
    low, high, spells, opened = row_ends(frame, lines, first, last, spacing, valid, settings)
    seat = np.zeros(rows, np.int64)
    seat[order] = np.arange(rows)
    bare = bare_ground(seat[of[on]], uv[on, 0], rows, settings)
    spells = [
        cut_out(spell, hole + np.array([spacing, -spacing]) / 2) for spell, hole in zip(spells, bare, strict=True)
    ]
    crossing = sum(len(hole) > 0 for hole in bare)
    notes = (
        (
            f"{crossing} rows cross bare ground longer than {settings.bridge_cm / 100:g} m that their neighbours lack "
            "too (a road, a waterway): it is left out of what is measured.",
        )
        if crossing
        else ()
    )
    axes = frame.axes
    made: list[CurvedRow] = []
    pieces: list[np.ndarray] = []
    kept = np.zeros(rows, bool)
    for r in range(rows):
        if high[r] - low[r] < settings.shortest_cm:
            continue
        n = int(np.ceil((high[r] - low[r] + 2 * _BESIDE_CM) / _BESIDE_CM)) + 1
        u = np.linspace(low[r] - _BESIDE_CM, high[r] + _BESIDE_CM, n)
        ground = np.c_[u, lines.v(np.full(n, r), u)] @ axes.T
        row = CurvedRow(ground, sd_cm=float(sd[r]))
        marks = np.r_[low[r], high[r], spells[r].ravel()]
        at = row.position(np.c_[marks, lines.v(np.full(len(marks), r), marks)] @ axes.T)
        k = order[r]
        unsure = stretch.plants[k] < settings.fewest_plants or sd[r] > settings.widest_scatter_cm
        made.append(
            replace(
                row,
                from_cm=float(at[0]),
                to_cm=float(at[1]),
                flags=flags.bit("row_unsure") if unsure else 0,
            )
        )
        pieces.append(at[2:].reshape(-1, 2))
        kept[r] = True
    if not made:
        return None
    gap = np.where(np.r_[False, kept[:-1]], gap, np.nan)[kept]
    return FoundGroup(
        tuple(made),
        tuple(pieces),
        opened[kept],
        gap,
        frame.direction_deg,
        width,
        told,
        spacing,
        float(np.median(stretch.corridor_cm)),
        notes,
    )


def _only_ordered(lines: Lines, order: np.ndarray) -> Lines:
    """The lines in another order."""
    size = lines.spans[order] + 3
    first = np.cumsum(size) - size
    index = np.repeat(lines.first[order] - first, size) + np.arange(int(size.sum()))
    return Lines(lines.begin[order], lines.spans[order], first, lines.knot_cm, lines.coefficients[index])


def _order(lines: Lines, stretch: Stretches) -> tuple[np.ndarray, np.ndarray]:
    """Lines from left to right, and the distance of each to the one before it.

    Left is who is left where two run side by side; lines that nowhere do are told by where they lie on the whole.
    """
    n = len(lines.begin)
    slabs = Slabs.of(lines, stretch.first_cm, stretch.last_cm)
    left, right, apart = slabs.neighbours()
    pair, index, count = np.unique(left * n + right, return_inverse=True, return_counts=True)
    mean = np.bincount(index, apart, len(pair)) / np.maximum(count, 1)
    distance = dict(zip(pair.tolist(), mean.tolist(), strict=True))
    a, b = pair // n, pair % n
    # bent lines cross their neighbours' v farther on: what counts is the place at a common u
    size = np.bincount(slabs.row, minlength=n)
    middle = np.bincount(slabs.row, slabs.v, n) / np.maximum(size, 1)
    waiting = np.bincount(b, minlength=n)
    follow: list[list[int]] = [[] for _ in range(n)]
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        follow[i].append(j)
    ready = [(float(middle[k]), k) for k in range(n) if waiting[k] == 0]
    heapq.heapify(ready)
    order: list[int] = []
    done = np.zeros(n, bool)
    while len(order) < n:
        if not ready:  # lines that cross: the leftmost on the whole goes next
            k = int(np.where(done, np.inf, middle).argmin())
        else:
            k = heapq.heappop(ready)[1]
            if done[k]:
                continue
        done[k] = True
        order.append(k)
        for j in follow[k]:
            waiting[j] -= 1
            if waiting[j] == 0 and not done[j]:
                heapq.heappush(ready, (float(middle[j]), j))
    gap = np.array([np.nan] + [distance.get(i * n + j, np.nan) for i, j in itertools.pairwise(order)])
    return np.array(order), gap
