"""Square cells over a piece of ground, and smooth noise on them.

Noise comes in octaves: normal numbers on a coarse lattice, blown up by cubic interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

MAX_CELLS = 7_000_000


@dataclass(frozen=True)
class Grid:
    """Square cells over a rectangle of ground; cell centres at integers."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    columns: int
    rows: int

    def cells(self, points_mm: np.ndarray) -> np.ndarray:
        """Column and row of ground points. (..., 2) [mm] -> (..., 2)"""
        return (points_mm - np.array([self.x0_mm, self.y0_mm])) / self.cell_mm

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)"""
        return self.rows, self.columns


def make_grid(low_mm: np.ndarray, high_mm: np.ndarray, cell_mm: float) -> Grid:
    """Grid over a rectangle, coarser than ``cell_mm`` where it would hold more than ``MAX_CELLS``."""
    size = np.maximum(high_mm - low_mm, 1.0)
    cell = max(cell_mm, float(np.sqrt(np.prod(size) / MAX_CELLS)))
    columns, rows = np.ceil(size / cell).astype(int) + 1
    return Grid(float(low_mm[0]), float(low_mm[1]), cell, int(columns), int(rows))


class GroundNoise(np.random.Generator):
    """Chance for one of many tiles of the same ground: octaves wider than a cell go on from tile to tile.

    The values of an octave's lattice hang on the seed, on how many octaves were drawn before, and on where the lattice
    point lies in the world. All tiles must have the same cells, at whole multiples of their size (``snapped``).
    """

    BLOCK = 32

    def __init__(self, seed: int, tile: tuple[int, int]) -> None:
        """Take the seed of the ground and the tile's number."""
        super().__init__(np.random.PCG64([seed, *tile]))
        self.seed, self.drawn = seed, 0

    def octave(self, grid: Grid, wavelength_mm: float) -> np.ndarray:
        """As the function ``octave``, on a lattice that is fixed in the world. (rows, columns)"""
        self.drawn += 1
        step = round(wavelength_mm / grid.cell_mm)
        if step <= 1:
            return self.standard_normal(grid.shape, dtype=np.float32)
        first = np.round(np.array([grid.x0_mm, grid.y0_mm]) / grid.cell_mm).astype(int)
        low = first // step - 2
        high = (first + np.array([grid.columns, grid.rows])) // step + 3
        wide = cv2.resize(self._lattice(low, high), None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
        x, y = first - low * step
        return wide[y : y + grid.rows, x : x + grid.columns]

    def _lattice(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        n, far = self.BLOCK, 1 << 24  # seeds may not be negative
        a, b = low // n, -(-high // n)
        rows = [
            np.concatenate(
                [
                    np.random.default_rng([self.seed, self.drawn, bx + far, by + far]).standard_normal(
                        (n, n), dtype=np.float32
                    )
                    for bx in range(a[0], b[0])
                ],
                axis=1,
            )
            for by in range(a[1], b[1])
        ]
        x, y = low - a * n
        return np.concatenate(rows)[y : y + high[1] - low[1], x : x + high[0] - low[0]]


def snapped(low_mm: np.ndarray, high_mm: np.ndarray, cell_mm: float) -> Grid:
    """Grid over a rectangle with cells at whole multiples of ``cell_mm``, however many."""
    first, last = np.floor(low_mm / cell_mm).astype(int), np.ceil(high_mm / cell_mm).astype(int)
    columns, rows = last - first + 1
    return Grid(float(first[0] * cell_mm), float(first[1] * cell_mm), cell_mm, int(columns), int(rows))


def octave(grid: Grid, wavelength_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth noise of unit variance or somewhat less. (rows, columns)"""
    if isinstance(rng, GroundNoise):
        return rng.octave(grid, wavelength_mm)
    step = max(wavelength_mm / grid.cell_mm, 1.0)
    small = (int(grid.columns / step) + 4, int(grid.rows / step) + 4)
    noise = rng.standard_normal(small[::-1], dtype=np.float32)
    if step <= 1.0:
        return noise[: grid.rows, : grid.columns]
    size = (int(np.ceil(small[0] * step)), int(np.ceil(small[1] * step)))
    return cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)[: grid.rows, : grid.columns]


def blur(field: np.ndarray, sigma_cells: float) -> np.ndarray:
    """Gaussian blur; wide ones at reduced size, where nothing is lost."""
    factor = int(sigma_cells / 2.5)
    if factor < 2:
        return cv2.GaussianBlur(field, (0, 0), max(sigma_cells, 0.5))
    h, w = field.shape[:2]
    small = cv2.resize(field, (max(w // factor, 1), max(h // factor, 1)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_cells / factor)
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
