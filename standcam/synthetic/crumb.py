"""Strong relief of soil: cavities with sharp edges, crumbs, cracks, smooth crust between, marks of tyres.

All of it in patches and at several scales, drawn only where a recipe asks for it.
"""

from __future__ import annotations

import cv2
import numpy as np

from standcam.synthetic.ground_grid import Grid, octave
from standcam.synthetic.recipe import GroundRecipe

PIT_MM, CRACK_MM = 8.0, 7.0
"""Depth of the deepest cavities and cracks. [mm]"""
TRACK_MM, LUG_MM, RUT_MM = 330.0, 85.0, 9.0
"""A tyre's width, the distance of its lugs, and how deep it presses. [mm]"""


def rough(ground: GroundRecipe) -> bool:
    """Whether a recipe asks for anything of this module."""
    return bool(
        ground.relief != 1 or ground.pits or ground.crumbs or ground.cracks or ground.crust or ground.tyre_tracks_mm
    )


def _step(x: np.ndarray) -> np.ndarray:
    """From 0 to 1 between 0 and 1, level at both ends."""
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def roughened(level: np.ndarray, grid: Grid, ground: GroundRecipe, rng: np.random.Generator) -> np.ndarray:
    """A relief made higher or lower, broken up and pressed as a recipe asks. (rows, columns) [mm]"""
    h: np.ndarray = level * np.float32(ground.relief)
    patch = _step(0.5 + 0.9 * octave(grid, 170, rng) + 0.35 * octave(grid, 45, rng))
    if ground.crumbs:
        # the size of normal noise has round tops and sharp creases, as crumbs have
        tops = 5.5 * np.abs(octave(grid, 24, rng)) + 4.0 * np.abs(octave(grid, 11, rng))
        tops += 2.4 * np.abs(octave(grid, 5, rng)) - 5.0
        h += np.float32(ground.crumbs) * tops * (0.25 + 0.75 * patch)
    if ground.pits:
        f = octave(grid, 15, rng) + 0.6 * octave(grid, 7, rng) + 0.35 * octave(grid, 3.3, rng)
        over = np.clip(f - 1.45 + 1.2 * patch, 0, 1.6)
        deep = 0.3 * _step(over / 0.35) + 0.65 * over  # steep edges, and bottoms of their own
        h -= np.float32(PIT_MM * ground.pits) * deep
    if ground.crust:
        smooth = np.float32(ground.crust) * (1 - patch)
        h *= 1 - 0.85 * smooth
    if ground.cracks:
        there = _step(0.4 + 0.9 * octave(grid, 190, rng))  # not everywhere
        h -= np.float32(CRACK_MM * ground.cracks) * there * _cracks(grid, 75.0, 1.7, rng)
        h -= np.float32(0.6 * CRACK_MM * ground.cracks) * there**2 * _cracks(grid, 26.0, 0.9, rng)
    for middle in ground.tyre_tracks_mm:
        h = _pressed(h, grid, middle)
    return h.astype(np.float32)


def _cracks(grid: Grid, apart_mm: float, half_width_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Borders of cells about scattered seeds, bent by noise: 1 in a crack, 0 beside it. (rows, columns)"""
    count = max(int(grid.rows * grid.columns * grid.cell_mm**2 / apart_mm**2), 1)
    seeds = np.full(grid.shape, 255, np.uint8)
    seeds[rng.integers(grid.rows, size=count), rng.integers(grid.columns, size=count)] = 0
    _, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    border = np.zeros(grid.shape, np.uint8)
    border[:-1] |= label[:-1] != label[1:]
    border[:, :-1] |= label[:, :-1] != label[:, 1:]
    away: np.ndarray = cv2.distanceTransform(1 - border, cv2.DIST_L2, 3) * np.float32(grid.cell_mm)
    bend = np.float32(0.13 * apart_mm / grid.cell_mm)
    x = np.arange(grid.columns, dtype=np.float32)[None, :] + bend * octave(grid, apart_mm / 3, rng)
    y = np.arange(grid.rows, dtype=np.float32)[:, None] + bend * octave(grid, apart_mm / 3, rng)
    away = cv2.remap(away, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    wide = half_width_mm * np.clip(0.8 + 0.5 * octave(grid, apart_mm / 1.5, rng), 0.05, 2)
    return np.exp(-0.5 * (away / wide) ** 2).astype(np.float32)


def _pressed(h: np.ndarray, grid: Grid, middle_mm: float) -> np.ndarray:
    """A tyre's track along X: flattened soil with the slanted marks of its lugs. [mm]"""
    y = grid.y0_mm + np.arange(grid.rows, dtype=np.float32)[:, None] * grid.cell_mm - middle_mm
    x = grid.x0_mm + np.arange(grid.columns, dtype=np.float32)[None, :] * grid.cell_mm
    inside = _step((TRACK_MM / 2 - np.abs(y)) / 18)
    shift = np.where(y > 0, LUG_MM / 2, 0)
    lug = _step(0.5 + 2.2 * np.sin(2 * np.pi * (x + 0.9 * np.abs(y) + shift) / LUG_MM))
    pressed: np.ndarray = h * (1 - 0.6 * inside) - inside * RUT_MM * (0.35 + 0.65 * lug)
    return pressed.astype(np.float32)


def patched(tone: np.ndarray, grid: Grid, strength: float, rng: np.random.Generator) -> np.ndarray:
    """A soil's tone with wet and dry patches: few tones, with edges. (rows, columns)"""
    wet = np.tanh(1.8 * (octave(grid, 230, rng) + 0.5 * octave(grid, 60, rng)) + 0.4 * octave(grid, 12, rng))
    return tone * np.exp(np.float32(0.5 * strength) * wet)
