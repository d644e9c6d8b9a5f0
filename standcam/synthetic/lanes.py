"""Where the rows and wheel tracks of a strip run: side by side, all in one gentle swing.

World as everywhere here: X along the rows, Y to their left, mm. Row ``k`` lies on
``Y = row_mm[k] + curve_mm sin(2 pi X / curve_length_mm + phase)``; distances across are taken along Y.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from standcam.synthetic.ground_grid import Grid

RUT_MM, LUG_MM, LUG_APART_MM = 9.0, 3.5, 95.0
"""Depth of a wheel track, height of the marks of its lugs and their distance (common practice, no source). [mm]"""
EDGE_MM = 30.0
"""Over which a track's edge, and the end of a furrow, run out. [mm]"""


@dataclass(frozen=True)
class Lanes:
    """Rows and wheel tracks."""

    row_mm: np.ndarray
    """Place of each row across, ascending. (n,)"""
    from_mm: float
    to_mm: float
    """X between which rows are sown. [mm]"""
    curve_mm: float = 0.0
    curve_length_mm: float = 30000.0
    phase: float = 0.0
    tracks_mm: tuple[float, ...] = ()
    track_width_mm: float = 420.0

    def swing(self, x_mm: np.ndarray) -> np.ndarray:
        """How far rows lie left of their place at X. [mm]"""
        return self.curve_mm * np.sin(2 * np.pi * np.asarray(x_mm, float) / self.curve_length_mm + self.phase)

    def along(self, s_mm: np.ndarray) -> np.ndarray:
        """X of places at a length of row from ``from_mm``. [mm] -> [mm]"""
        if self.curve_mm == 0:
            return self.from_mm + np.asarray(s_mm, float)
        x = np.arange(self.from_mm - 500, self.to_mm + 501, 20.0)
        length = np.r_[0, np.cumsum(np.hypot(np.diff(x), np.diff(self.swing(x))))]
        return np.interp(s_mm + np.interp(self.from_mm, x, length), length, x)

    def row_length_mm(self) -> float:
        """Length of a row from end to end. [mm]"""
        if self.curve_mm == 0:
            return self.to_mm - self.from_mm
        x = np.linspace(self.from_mm, self.to_mm, max(int((self.to_mm - self.from_mm) / 20), 2))
        return float(np.hypot(np.diff(x), np.diff(self.swing(x))).sum())

    def in_track(self, points_mm: np.ndarray) -> np.ndarray:
        """Which points a wheel went over. (n, 2) -> (n,)"""
        u = points_mm[:, 1] - self.swing(points_mm[:, 0])
        inside = np.zeros(len(u), bool)
        for track in self.tracks_mm:
            inside |= np.abs(u - track) < self.track_width_mm / 2
        return inside

    def profile(self, grid: Grid, height: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Sum over all rows of a height that hangs on the distance from the row. (rows, columns) [mm]"""
        x, u = _axes(grid)
        swing = self.swing(x)
        low = float(u[0] - swing.max()) - 1
        table_u = np.arange(low, float(u[-1] - swing.min()) + 2, 1.0)
        table = np.zeros(len(table_u))
        for row in self.row_mm[(self.row_mm > low - 200) & (self.row_mm < table_u[-1] + 200)]:
            table += height(table_u - row)
        ends = _step(x - self.from_mm) * _step(self.to_mm - x)
        index = (u[:, None] - swing.astype(np.float32)[None, :] - np.float32(low) + np.float32(0.5)).astype(np.int32)
        return table.astype(np.float32)[index] * ends.astype(np.float32)[None, :]

    def pressed(self, grid: Grid) -> np.ndarray:
        """1 where wheels have pressed the soil, 0 elsewhere. (rows, columns), or (1, 1) without tracks"""
        if not self.tracks_mm:
            return np.zeros((1, 1), np.float32)
        _, v = self._straightened(grid)
        out = np.zeros(v.shape, np.float32)
        for track in self.tracks_mm:
            out = np.maximum(out, _step(np.float32(self.track_width_mm / 2) - np.abs(v - np.float32(track))))
        return out

    def ruts(self, grid: Grid) -> np.ndarray:
        """Depth of wheel tracks and the marks of lugs in them. (rows, columns) [mm], or (1, 1) without tracks"""
        if not self.tracks_mm:
            return np.zeros((1, 1), np.float32)
        x, v = self._straightened(grid)
        out = np.zeros(v.shape, np.float32)
        for track in self.tracks_mm:
            off = np.abs(v - np.float32(track))
            lugs = np.clip(
                np.sin((x.astype(np.float32)[None, :] + 0.8 * off) * np.float32(2 * np.pi / LUG_APART_MM)), -0.4, 0.6
            )
            inside = _step(np.float32(self.track_width_mm / 2) - off)
            out += inside * (np.float32(LUG_MM) * lugs - np.float32(RUT_MM))
        return out

    def _straightened(self, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
        """X of the columns, and Y of all cells less the swing there. (columns,), (rows, columns) [mm]"""
        x, u = _axes(grid)
        return x, u[:, None] - self.swing(x).astype(np.float32)[None, :]


def _axes(grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    x = grid.x0_mm + np.arange(grid.columns) * grid.cell_mm
    return x, (grid.y0_mm + np.arange(grid.rows) * grid.cell_mm).astype(np.float32)


def _step(inside_mm: np.ndarray) -> np.ndarray:
    """0 outside, 1 inside, smooth over ``EDGE_MM``."""
    t = np.clip(inside_mm / EDGE_MM + 0.5, 0, 1)
    return t * t * (3 - 2 * t)
