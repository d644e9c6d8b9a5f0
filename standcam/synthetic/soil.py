"""The soil surface: a height field of clods, crust and furrow, its colour, and how light falls on it.

All on a grid over the ground, in float32. Clods are domes about scattered seeds, by a distance transform.
"""

from __future__ import annotations

import cv2
import numpy as np

from standcam.synthetic import crumb
from standcam.synthetic.ground_grid import Grid, blur, octave
from standcam.synthetic.lanes import Lanes
from standcam.synthetic.recipe import GroundRecipe

REFLECTANCE = {
    "dry": (0.265, 0.205, 0.140),
    "wet": (0.085, 0.058, 0.040),
    "sandy": (0.400, 0.305, 0.190),
    "red": (0.250, 0.128, 0.072),
}
"""Linear reflectance of the soil families, red green blue: chosen to look right (no source)."""


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
    if crumb.rough(ground):
        h = crumb.roughened(h, grid, ground, rng)
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
    base = np.array(REFLECTANCE[ground.soil], np.float32) * np.array(ground.tint, np.float32)
    tone = 1 + 0.10 * octave(grid, 320, rng) + 0.06 * octave(grid, 60, rng) + 0.06 * octave(grid, 9, rng)
    tone += 0.09 * octave(grid, 2.2, rng) + 0.05 * octave(grid, 1.2, rng)
    high = h - blur(h, 9 / grid.cell_mm)
    dry_tip = np.tanh(high / 3.5)  # clods dry first, hollows stay dark
    tone += (0.16 if ground.soil == "wet" else 0.08) * dry_tip
    damp = np.clip(octave(grid, 180, rng) - 0.9, 0, 1) * (0.35 if ground.soil != "sandy" else 0.2)
    tone *= 1 - damp
    if ground.patches:
        tone = crumb.patched(tone, grid, ground.patches, rng)
    colour = np.clip(tone, 0.25, 2.2)[..., None] * base
    warm = 0.016 * octave(grid, 110, rng) + 0.025 * octave(grid, 5, rng)
    colour[..., 0] *= 1 + warm
    colour[..., 2] *= 1 - warm
    pale = octave(grid, 3.2, rng) > 2.9  # grains and small stones
    colour[pale] = 0.5 * colour[pale] + 0.5 * np.array([0.42, 0.38, 0.33], np.float32)
    return colour


def sun_on_relief(grid: Grid, h: np.ndarray, sun: np.ndarray, softness: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
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
    return np.clip(facing, 0, None) / max(sun[2], 0.15), cv2.GaussianBlur(lit, (0, 0), 0.6 * max(softness, 1.0))


def sky_on_relief(grid: Grid, h: np.ndarray) -> np.ndarray:
    """Share of the sky a cell sees: hollows are darker. (rows, columns)"""
    narrow = h - blur(h, 4 / grid.cell_mm)
    wide = h - blur(h, 14 / grid.cell_mm)
    return np.clip(0.84 + 0.15 * narrow + 0.045 * wide, 0.22, 1.15)
