"""The soil surface: a height field of clods, crust and furrow, its colour, and how light falls on it.

All on a grid over the ground, in float32. Noise comes in octaves: normal numbers on a coarse lattice, blown
up by cubic interpolation. Clods are domes about scattered seeds, by a distance transform.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.synthetic.lanes import Lanes
from standcam.synthetic.recipe import GroundRecipe

REFLECTANCE = {
    "dry": (0.265, 0.205, 0.140),
    "wet": (0.085, 0.058, 0.040),
    "sandy": (0.400, 0.305, 0.190),
    "red": (0.250, 0.128, 0.072),
}
"""Linear reflectance of the soil families, red green blue: chosen to look right (no source)."""
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


def _clods(
    grid: Grid, apart_mm: float, radius_mm: float, share: float, rough: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Domes about scattered seeds; ``rough`` frays their outlines. [mm]"""
    count = max(int(grid.rows * grid.columns * grid.cell_mm**2 / apart_mm**2), 1)
    seeds = np.full(grid.shape, 255, np.uint8)
    seeds[rng.integers(grid.rows, size=count), rng.integers(grid.columns, size=count)] = 0
    distance, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    number = int(label.max()) + 1
    radius = radius_mm * np.clip(rng.lognormal(-0.1, 0.35, number), 0.4, 1.9)
    radius[rng.random(number) > share] = 0.01
    squash = rng.uniform(0.35, 0.75, number)
    r = radius.astype(np.float32)[label]
    q = distance * grid.cell_mm / r * (1 + 0.38 * rough)
    return np.sqrt(np.clip(1 - q * q, 0, 1)) * r * squash.astype(np.float32)[label]


def relief(
    grid: Grid,
    ground: GroundRecipe,
    rows: np.ndarray | Lanes,
    stems_mm: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Height of the soil over the plane Z = 0. (rows, columns) [mm]

    ``rows`` are the places of straight rows across them, or the lanes of a field.

    Stems stand exactly on the floor of the furrow, ``-furrow_depth_mm``: noise fades out around them.
    """
    k = ground.roughness
    patch = np.clip(0.5 + 0.5 * octave(grid, 260, rng), 0, 1)
    fine = octave(grid, 7, rng)
    coarse = octave(grid, 22, rng)
    h = (1.0 + 2.0 * k) * octave(grid, 150, rng) + (0.8 + 1.3 * k) * octave(grid, 55, rng)
    h += (0.3 + 1.0 * k) * coarse + (0.14 + 0.36 * k) * fine + (0.07 + 0.14 * k) * octave(grid, 2.6, rng)
    if k > 0.05:
        h += _clods(grid, 5.5, 2.3, 0.5 + 0.3 * k, fine, rng) * (k * (0.25 + 0.75 * patch))
        h += _clods(grid, 9, 4.2, 0.35 + 0.35 * k, fine, rng) * (k * (0.35 + 0.65 * patch))
        h += _clods(grid, 26, 9.5, 0.75 * k, 0.5 * fine + 0.7 * coarse, rng) * (k * patch)
        h += _clods(grid, 130, 26, 0.5 * k, 0.3 * fine + 0.8 * coarse, rng) * (0.8 * k * patch**2)
    # pores and cracks of a crusted surface
    h -= 1.6 * np.clip(octave(grid, 11, rng) - 1.7, 0, 0.8)
    stamp = np.zeros(grid.shape, np.uint8)
    for x, y in grid.cells(stems_mm):
        cv2.circle(stamp, (round(float(x)), round(float(y))), max(int(7 / grid.cell_mm), 1), 255, -1)
    near = cv2.GaussianBlur(stamp, (0, 0), max(5 / grid.cell_mm, 0.8)).astype(np.float32) / 255
    h *= 1 - np.minimum(1.6 * near, 1)
    if isinstance(rows, Lanes):
        h *= 1 - 0.6 * rows.pressed(grid)
        # rain has washed out the furrow here and there
        kept = np.clip(0.6 + 0.5 * octave(grid, 340, rng), 0.05, 1.1)
        return h + kept * rows.profile(grid, lambda d: _furrow(d, ground)) + rows.ruts(grid)
    y = grid.y0_mm + np.arange(grid.rows, dtype=np.float32) * grid.cell_mm
    for row in rows:
        h += _furrow(y - row, ground).astype(np.float32)[:, None]
    return h


def _furrow(d: np.ndarray, ground: GroundRecipe) -> np.ndarray:
    """Height that a press wheel leaves at a distance from the row: a shallow trough between two low shoulders."""
    deep = -(ground.furrow_depth_mm) * np.exp(-0.5 * (np.maximum(np.abs(d) - 12, 0) / 16) ** 2)
    shoulder = (0.8 + 1.4 * ground.roughness) * np.exp(-0.5 * ((np.abs(d) - 48) / 14) ** 2)
    return deep + shoulder


def reflectance(grid: Grid, ground: GroundRecipe, h: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Colour of the soil, linear. (rows, columns, 3)"""
    base = np.array(REFLECTANCE[ground.soil], np.float32)
    tone = 1 + 0.10 * octave(grid, 320, rng) + 0.06 * octave(grid, 60, rng) + 0.06 * octave(grid, 9, rng)
    tone += 0.09 * octave(grid, 2.2, rng) + 0.05 * octave(grid, 1.2, rng)
    high = h - blur(h, 9 / grid.cell_mm)
    dry_tip = np.tanh(high / 3.5)  # clods dry first, hollows stay dark
    tone += (0.16 if ground.soil == "wet" else 0.08) * dry_tip
    damp = np.clip(octave(grid, 180, rng) - 0.9, 0, 1) * (0.35 if ground.soil != "sandy" else 0.2)
    tone *= 1 - damp
    colour = np.clip(tone, 0.25, 2.2)[..., None] * base
    warm = 0.016 * octave(grid, 110, rng) + 0.025 * octave(grid, 5, rng)
    colour[..., 0] *= 1 + warm
    colour[..., 2] *= 1 - warm
    pale = octave(grid, 3.2, rng) > 2.9  # grains and small stones
    colour[pale] = 0.5 * colour[pale] + 0.5 * np.array([0.42, 0.38, 0.33], np.float32)
    return colour


def sun_on_relief(grid: Grid, h: np.ndarray, sun: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How strongly the sun strikes the relief, relative to level soil, and which cells clods keep lit.

    (rows, columns), (rows, columns)
    """
    gx = cv2.Sobel(h, cv2.CV_32F, 1, 0, ksize=3) / (8 * grid.cell_mm)
    gy = cv2.Sobel(h, cv2.CV_32F, 0, 1, ksize=3) / (8 * grid.cell_mm)
    facing = (sun[2] - gx * sun[0] - gy * sun[1]) / np.sqrt(1 + gx * gx + gy * gy)
    lit = np.ones_like(h)
    flat = np.hypot(sun[0], sun[1])
    if flat > 0.05:
        rise = sun[2] / flat
        reach = min(60.0, 22.0 / rise)
        for step in np.unique(np.round(np.geomspace(1, max(reach / grid.cell_mm, 1), 12))):
            dx, dy = np.round(step * sun[:2] / flat).astype(int)
            run = np.hypot(dx, dy) * grid.cell_mm
            moved = cv2.warpAffine(
                h, np.array([[1, 0, -dx], [0, 1, -dy]], np.float32), (grid.columns, grid.rows),
                flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
            lit = np.minimum(lit, np.clip(1 - (moved - h - run * rise) / 0.5, 0, 1))
    return np.clip(facing, 0, None) / max(sun[2], 0.15), cv2.GaussianBlur(lit, (0, 0), 0.6)


def sky_on_relief(grid: Grid, h: np.ndarray) -> np.ndarray:
    """Share of the sky a cell sees: hollows are darker. (rows, columns)"""
    narrow = h - blur(h, 4 / grid.cell_mm)
    wide = h - blur(h, 14 / grid.cell_mm)
    return np.clip(0.84 + 0.15 * narrow + 0.045 * wide, 0.22, 1.15)
