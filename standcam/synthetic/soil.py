"""The soil surface: a height field of clods, crust and furrow, its colour, and how light falls on it.

All on a grid over the ground, in float32. Noise comes in octaves: normal numbers on a coarse lattice, blown
up by cubic interpolation. Clods are domes about scattered seeds, by a distance transform.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

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


def octave(grid: Grid, wavelength_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth noise of unit variance or somewhat less. (rows, columns)"""
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
    grid: Grid, ground: GroundRecipe, rows_mm: np.ndarray, stems_mm: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Height of the soil over the plane Z = 0. (rows, columns) [mm]

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
    y = grid.y0_mm + np.arange(grid.rows, dtype=np.float32) * grid.cell_mm
    for row in rows_mm:
        # a press wheel leaves a shallow trough between two low shoulders
        d = y - row
        deep = -(ground.furrow_depth_mm) * np.exp(-0.5 * (np.maximum(np.abs(d) - 12, 0) / 16) ** 2)
        shoulder = (0.8 + 1.4 * k) * np.exp(-0.5 * ((np.abs(d) - 48) / 14) ** 2)
        h += (deep + shoulder).astype(np.float32)[:, None]
    return h


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
