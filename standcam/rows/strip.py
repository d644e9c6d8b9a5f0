"""All rows of a strip, from points on the ground: direction, rhythm, curved centre lines, ends.

Points may be stems with their crop probability or, where stems are not resolved, centres of green patches with their
area. Rows of one direction that run side by side are a group (a field, a headland, a range of plots):

1. :mod:`standcam.rows.bearing`: direction, square by square; squares that run alike are a group.
2. :mod:`standcam.rows.trace`: rows followed from band to band.
3. :mod:`standcam.rows.smooth`: centre lines; :mod:`standcam.rows.evidence`: ends, and which lines are rows.

The direction of travel of a group is the one of its two whose angle, counter-clockwise from +x, lies in -45 to 135
degrees: north for rows that run north and south, east for rows that run east and west. Rows are numbered from left to
right looking along it, so row 1 lies farthest west, or farthest north.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from standcam import flags
from standcam.rows.bearing import Blocks, evened, find_blocks
from standcam.rows.curve import CurvedRow
from standcam.rows.strip_ends import Frame
from standcam.rows.strip_group import FoundGroup, find_group, frame_of
from standcam.rows.valid_ground import Extent, valid_ground
from standcam.settings import StripRowSettings

_AT_ONCE = 500_000
_SLAB_CM = 50.0
_OWN_COUNTS = 1.5
"""Against one plant that stands on a row of another group, what one counts that does not."""
_TWICE = 0.5
"""A row that shares more of its plants than this with rows found before is no other row."""


@dataclass(frozen=True)
class RowGroup:
    """Rows of one direction that run side by side, or are joined by such."""

    number: int
    direction_deg: float
    """Direction of travel, counter-clockwise from +x. [degrees], -45 to 135"""
    row_width_cm: float
    """Median distance of neighbour rows; NaN for a single one. [cm]"""
    rows: int
    rhythm_cm: float
    """Row width that the rhythm tells, before lines are drawn; NaN where there is none. [cm]"""
    spacing_cm: float
    """Median distance of neighbours along the rows. [cm]"""


@dataclass(frozen=True)
class StripRows:
    """Rows of a strip."""

    rows: tuple[CurvedRow, ...] = ()
    """Group by group, in each from left to right looking along its direction."""
    group: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    """Group of each row; group 1 has the greatest length of row. (r,)"""
    spells: tuple[np.ndarray, ...] = ()
    """Of each row the pieces of its measured stretch on valid ground, as positions; bare ground that all rows cross is
    left out, stretches that only this row lacks are not. (k, 2) each [cm]"""
    open_ends: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), bool))
    """Whether begin and end are cut by the border of the valid ground. (r, 2)"""
    gap_left_cm: np.ndarray = field(default_factory=lambda: np.zeros(0))
    """Mean distance to the row to the left in the group; NaN for the first, and where they are nowhere side by side.
    (r,) [cm]"""
    groups: tuple[RowGroup, ...] = ()
    notes: tuple[str, ...] = ()
    reach: float = 0.4

    @property
    def number(self) -> np.ndarray:
        """Numbers of the rows: 1, 2, ... over the whole strip. (r,)"""
        return np.arange(1, len(self.rows) + 1)

    def assign(self, points_cm: np.ndarray, reach_cm: float | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Row of each point, and its place in it.

        Parameters
        ----------
        points_cm : (n, 2) array
            [cm]
        reach_cm : float, optional
            How far off a line its plants may lie; by default ``StripRowSettings.reach`` of the row width. [cm]

        Returns
        -------
        index : (n,) int array
            Into ``rows``; -1 where no row is near, or beside its measured stretch only.
        position_cm, offset_cm : (n,) arrays
            NaN where there is no row. [cm]
        """
        points = np.asarray(points_cm, float).reshape(-1, 2)
        index = np.full(len(points), -1)
        position, offset = np.full(len(points), np.nan), np.full(len(points), np.inf)
        for g in self.groups:
            reach = reach_cm if reach_cm is not None else self._reach(g)
            members = np.flatnonzero(self.group == g.number)
            near = _Near([self.rows[k] for k in members], g.direction_deg)
            for start in range(0, len(points), _AT_ONCE):
                part = slice(start, start + _AT_ONCE)
                for of in near.candidates(points[part], reach):
                    order = np.argsort(of, kind="stable")
                    cuts = np.searchsorted(of[order], np.arange(len(members) + 1))
                    for j in np.flatnonzero(np.diff(cuts)):
                        k = int(members[j])
                        at = start + order[cuts[j] : cuts[j + 1]]
                        s, v = self.rows[k].place(points[at])
                        taken = (s >= self.rows[k].from_cm) & (s <= self.rows[k].to_cm) & (np.abs(v) <= reach)
                        taken &= np.abs(v) < np.abs(offset[at])
                        at = at[taken]
                        index[at], position[at], offset[at] = k, s[taken], v[taken]
        offset[index < 0] = np.nan
        return index, position, offset

    def _reach(self, group: RowGroup) -> float:
        width = group.row_width_cm if np.isfinite(group.row_width_cm) else 50.0
        return self.reach * width


class _Near:
    """Rows of a group cut in slabs across it: the two rows that a point may belong to, without a look at the others."""

    def __init__(self, rows: list[CurvedRow], direction_deg: float) -> None:
        self.axes = Frame(direction_deg).axes
        self.origin = rows[0].vertices_cm[0]
        slabs, which, places, slopes = [], [], [], []
        for k, row in enumerate(rows):
            uv = (row.vertices_cm - self.origin) @ self.axes
            slab = np.arange(int(np.floor(uv[0, 0] / _SLAB_CM)), int(np.floor(uv[-1, 0] / _SLAB_CM)) + 1)
            slabs.append(slab)
            which.append(np.full(len(slab), k))
            places.append(np.interp((slab + 0.5) * _SLAB_CM, uv[:, 0], uv[:, 1]))
            slopes.append((np.interp((slab + 1) * _SLAB_CM, uv[:, 0], uv[:, 1]) - places[-1]) * 2 / _SLAB_CM)
        self.slab, self.which, self.v, self.slope = (np.concatenate(x) for x in (slabs, which, places, slopes))
        self.low, self.wide = int(self.slab.min()), 4 * float(np.abs(self.v).max()) + 1e5
        order = np.argsort((self.slab - self.low) * self.wide + self.v, kind="stable")
        self.slab, self.which, self.v, self.slope = (x[order] for x in (self.slab, self.which, self.v, self.slope))
        self.key = (self.slab - self.low) * self.wide + self.v

    def candidates(self, points: np.ndarray, reach: float) -> list[np.ndarray]:
        """Row to the left and to the right of each point; -1 where it is surely farther off than the reach."""
        uv = (points - self.origin) @ self.axes
        slab = np.floor(uv[:, 0] / _SLAB_CM)
        v = np.clip(uv[:, 1], -self.wide / 3, self.wide / 3)
        into = uv[:, 0] - (slab + 0.5) * _SLAB_CM
        at = np.searchsorted(self.key, (slab - self.low) * self.wide + v)
        slope = self.slope[np.minimum(at, len(self.key) - 1)]
        at = np.searchsorted(self.key, (slab - self.low) * self.wide + v - slope * into)
        out = []
        for side in (-1, 0):
            j = np.clip(at + side, 0, len(self.key) - 1)
            # rows may slant: across the group things lie farther off than across the row
            far = (self.slab[j] != slab) | (np.abs(v - self.v[j] - self.slope[j] * into) > 2 * reach)
            out.append(np.where(far, -1, self.which[j]))
        return out


def find_strip_rows(
    points_cm: np.ndarray,
    weights: np.ndarray | None = None,
    settings: StripRowSettings | None = None,
    row_width_cm: float | None = None,
    extent: Extent = None,
) -> StripRows:
    """All rows of a strip.

    Parameters
    ----------
    points_cm : (n, 2) array
        Stems, weeds among them, or centres of green. [cm]
    weights : (n,) array, optional
        How much each counts: probability of being crop, or area. Where the 90th percentile is above 1, weights are
        taken in units of it.
    settings : StripRowSettings, optional
    row_width_cm : float, optional
        Given row width; by default it is estimated. [cm]
    extent : ring, rings or function, optional
        Ground that the strip shows (:data:`standcam.rows.valid_ground.Extent`). Without it no row is cut by a border.

    Returns
    -------
    StripRows
        Without rows, and with a note, where there are none.
    """
    settings = settings or StripRowSettings()
    points = np.asarray(points_cm, float).reshape(-1, 2)
    weight = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    if len(weight) != len(points):
        raise ValueError(f"{len(points)} points and {len(weight)} weights.")
    if row_width_cm is not None and not row_width_cm > 0:
        raise ValueError(f"A row width of {row_width_cm} cm.")
    notes: list[str] = []
    good = np.isfinite(points).all(axis=1) & (weight > 0)
    points, weight = points[good], weight[good]
    if not len(points):
        return StripRows(notes=("No plants, so no rows.",), reach=settings.reach)
    # map coordinates are large: sums of squares of them would lose the centimetre
    origin = np.round(points.mean(axis=0))
    points = points - origin
    weight = np.minimum(weight / max(float(np.quantile(weight, 0.9)), 1.0), 1.0)
    even = evened(points, weight)
    blocks = find_blocks(points, even, settings)
    asked = valid_ground(extent)
    valid = None if asked is None else (lambda places: asked(places + origin))
    found: list[FoundGroup] = []
    for member in _groups(blocks, settings):
        near = _with_surroundings(blocks, member, settings)[blocks.of]
        found += find_group(
            points[near], weight[near], even[near], blocks, np.flatnonzero(member), valid, row_width_cm, settings
        )
    found.sort(key=lambda g: -sum(r.length_cm for r in g.rows))
    found, dropped = _without_doubles(found, points, settings)
    found = _ended_at_others(found, points, settings)
    if dropped:
        notes.append(f"{dropped} lines left out that ran along rows found before.")
    found = [replace(g, rows=tuple(replace(r, vertices_cm=r.vertices_cm + origin) for r in g.rows)) for g in found]
    return _gathered(found, blocks, row_width_cm, notes, settings)


def _groups(blocks: Blocks, settings: StripRowSettings) -> list[np.ndarray]:
    """Squares of each group, those with most plants first; a group that turns too far is cut. (b,) bool each"""
    out = []
    for number in range(1, int(blocks.group.max(initial=0)) + 1):
        left = blocks.group == number
        while left.any():
            frame = frame_of(blocks, np.flatnonzero(left))
            turned = np.abs(frame.turn_deg(blocks.angle_deg)) > settings.widest_turn_deg
            part = left & ~turned
            if not part.any():
                break
            out.append(part)
            left = left & turned
    return sorted(out, key=lambda part: -float(blocks.plants[part].sum()))


def _with_surroundings(blocks: Blocks, member: np.ndarray, settings: StripRowSettings) -> np.ndarray:
    """The squares and those around them, where rows may end. (b,) bool"""
    cell = np.round((blocks.centre_cm - blocks.centre_cm.min(axis=0)) / settings.block_cm).astype(np.int64)
    wide = int(cell[:, 1].max()) + 3
    key = (cell[:, 0] + 1) * wide + cell[:, 1] + 1
    steps = np.array([a * wide + b for a in (-1, 0, 1) for b in (-1, 0, 1)])
    return np.isin(key, np.unique(key[member][:, None] + steps))


def _without_doubles(
    found: list[FoundGroup], points: np.ndarray, settings: StripRowSettings
) -> tuple[list[FoundGroup], int]:
    """Groups without rows that another group has already: squares of two groups may share their surroundings."""
    if len(found) < 2:
        return found, 0
    taken = np.zeros(len(points), bool)
    out, dropped = [], 0
    for group in found:
        index, _, _ = _alone(group).assign(points, group.corridor_cm)
        on = index >= 0
        size = np.bincount(index[on], minlength=len(group.rows))
        shared = np.bincount(index[on & taken], minlength=len(group.rows))
        kept = shared <= _TWICE * np.maximum(size, 1)
        dropped += int((~kept).sum())
        if kept.any():
            out.append(group.only(kept))
        taken |= on & kept[np.maximum(index, 0)]
    return out, dropped


def _alone(group: FoundGroup) -> StripRows:
    """One group as rows to which points can be tied."""
    told = RowGroup(1, group.direction_deg, group.width_cm, len(group.rows), np.nan, np.nan)
    return StripRows(group.rows, np.ones(len(group.rows), np.int64), groups=(told,))


def _ended_at_others(found: list[FoundGroup], points: np.ndarray, settings: StripRowSettings) -> list[FoundGroup]:
    """Groups of which no row runs on into another: plants of a headland that lie on a row's way do not lengthen it."""
    if len(found) < 2:
        return found
    out = list(found)
    for k, group in enumerate(found):
        index, position, _ = _alone(group).assign(points, group.corridor_cm)
        on = np.flatnonzero(index >= 0)
        others = np.zeros(len(on), bool)
        for j, other in enumerate(out):
            if j != k:
                others |= _alone(other).assign(points[on], other.corridor_cm)[0] >= 0
        order = np.lexsort((position[on], index[on]))
        row, at, others = index[on][order], position[on][order], others[order]
        begins = np.searchsorted(row, np.arange(len(group.rows) + 1))
        rows, spells, opened = list(group.rows), list(group.spells), group.open_ends.copy()
        for r in range(len(rows)):
            part = slice(begins[r], begins[r + 1])
            first, last = (_run_of_others(side) for side in (others[part], others[part][::-1]))
            low, high = rows[r].from_cm, rows[r].to_cm
            if first + last >= begins[r + 1] - begins[r]:
                continue  # all of it lies on rows of others: no end to move
            if first:
                low, opened[r, 0] = float(at[part][first]) - group.spacing_cm / 2, False
            if last:
                high, opened[r, 1] = float(at[part][-1 - last]) + group.spacing_cm / 2, False
            rows[r] = replace(rows[r], from_cm=low, to_cm=high)
            cut = np.c_[np.maximum(spells[r][:, 0], low), np.minimum(spells[r][:, 1], high)]
            spells[r] = cut[cut[:, 1] > cut[:, 0]]
        changed = replace(group, rows=tuple(rows), spells=tuple(spells), open_ends=opened)
        out[k] = changed.only(np.array([row.length_cm >= settings.shortest_cm for row in rows]))
    return [group for group in out if len(group.rows)]


def _run_of_others(others: np.ndarray) -> int:
    """How many plants from the end of a row on stand on rows of others, for the most part."""
    total = np.cumsum(np.where(others, 1.0, -_OWN_COUNTS))
    return int(total.argmax()) + 1 if len(total) and total.max() > 0 else 0


def _gathered(
    found: list[FoundGroup], blocks: Blocks, given_cm: float | None, notes: list[str], settings: StripRowSettings
) -> StripRows:
    """One record of all groups, with notes."""
    if not found:
        reason = (
            "plants do not line up in any direction"
            if not blocks.group.any()
            else "nothing that lines up is distinct enough from chance to be a row"
        )
        return StripRows(notes=(f"No rows: {reason}.",), reach=settings.reach)
    groups: list[RowGroup] = []
    for number, group in enumerate(found, 1):
        gaps = group.gap_left_cm[np.isfinite(group.gap_left_cm)]
        width = float(np.median(gaps)) if len(gaps) else (given_cm or float("nan"))
        groups.append(RowGroup(number, group.direction_deg, width, len(group.rows), group.rhythm_cm, group.spacing_cm))
        if given_cm and len(gaps) >= 2 and abs(width - given_cm) > 0.1 * given_cm:
            notes.append(
                f"Rows of group {number} lie {width:.0f} cm apart, not {given_cm:.0f} cm as given: check the row width "
                "and the scale of the picture."
            )
        notes += group.notes
    if len(found) > 1:
        said = "; ".join(
            f"group {g.number}: {g.rows} rows at {g.direction_deg:.0f} degrees, "
            f"{sum(r.length_cm for r in f.rows) / 100:.0f} m of row"
            for g, f in zip(groups, found, strict=True)
        )
        notes.append(
            f"Rows lie in {len(found)} groups (fields, headlands, ranges), numbered one after the other: {said}."
        )
    rows = [row for group in found for row in group.rows]
    opened = np.concatenate([group.open_ends for group in found])
    rows = [
        replace(row, flags=row.flags | (flags.bit("at_edge") if end.any() else 0))
        for row, end in zip(rows, opened, strict=True)
    ]
    return StripRows(
        tuple(rows),
        np.repeat(np.arange(1, len(found) + 1), [len(g.rows) for g in found]),
        tuple(spell for group in found for spell in group.spells),
        opened,
        np.concatenate([group.gap_left_cm for group in found]),
        tuple(groups),
        tuple(notes),
        settings.reach,
    )
