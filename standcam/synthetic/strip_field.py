"""The truth of a strip: which plants stand where, in many rows that run side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from standcam.errors import BadSettings
from standcam.synthetic.field import finish_field, plant_row, staged
from standcam.synthetic.lanes import Lanes
from standcam.synthetic.ortho import OrthoCamera
from standcam.synthetic.recipe import SceneRecipe

PLOT_GAP_MM = 600.0
"""Alley between plots. [mm]"""
BESIDE_MM = 300.0
"""Plants are laid so far beyond the picture: their leaves and shadows may reach into it. [mm]"""


@dataclass(frozen=True)
class StripField:
    """Plants of a strip, and the rows they stand in."""

    plants: pd.DataFrame
    """As :func:`standcam.synthetic.field.lay_field` gives them; X along the rows, Y to their left."""
    lanes: Lanes
    missing: tuple[tuple[int, float, float], ...]
    """Missing stretches: row, first and last X. [mm]"""


def strip_camera(recipe: SceneRecipe) -> OrthoCamera:
    """The camera of a strip; the world's origin is in the picture's middle."""
    s = recipe.strip
    return OrthoCamera(np.zeros(2), float(np.deg2rad(s.heading_deg)), s.mm_per_px, s.width_px, s.height_px)


def lay_lanes(recipe: SceneRecipe, rng: np.random.Generator) -> Lanes:
    """Rows about the middle of the picture, guess rows between passes; row 0 is the rightmost."""
    s = recipe.strip
    place = np.arange(s.row_count) * recipe.crop.row_width_mm
    if s.pass_rows:
        place = place + np.arange(s.row_count) // s.pass_rows * s.guess_row_mm
    middle = (place[0] + place[-1]) / 2
    place = place - middle + s.shift_mm + rng.normal(0, s.row_offset_sd_mm, s.row_count)
    reach = strip_camera(recipe).footprint()[:, 0]
    start, end = (BESIDE_MM if margin == 0 else -margin for margin in s.margins_mm)
    return Lanes(
        np.sort(place),
        float(reach.min() - start),
        float(reach.max() + end),
        s.curve_mm,
        s.curve_length_mm,
        float(np.deg2rad(s.curve_phase_deg)),
        tuple(s.shift_mm + t for t in s.wheel_tracks_mm),
        s.wheel_width_mm,
    )


def lay_strip(recipe: SceneRecipe, rng: np.random.Generator) -> StripField:
    """All plants that may touch the picture of a strip: its rows, and weeds anywhere."""
    s = recipe.strip
    lanes = lay_lanes(recipe, rng)
    outline = strip_camera(recipe).footprint()
    low, high = outline.min(0) - BESIDE_MM, outline.max(0) + BESIDE_MM
    length = lanes.row_length_mm()
    parts, missing = [], []
    for row, across in enumerate(lanes.row_mm):
        worn = s.worn_unit and row % s.pass_rows + 1 == s.worn_unit
        planter = replace(recipe.planter, p_skip=s.worn_skip) if worn else recipe.planter
        plants = plant_row(planter, 0.0, max(length, 1.0), rng)
        plants = plants[(plants.x_mm >= 0) & (plants.x_mm <= length)].reset_index(drop=True)
        x = lanes.along(plants.x_mm.to_numpy(float))
        off = plants.pop("off_mm").to_numpy(float)
        plants["x_mm"], plants["y_mm"], plants["row_id"] = x, across + lanes.swing(x) + off, row
        there = np.ones(len(x), bool)
        for _ in range(rng.poisson(s.missing_per_100m * length / 1e5)):
            start, size = rng.uniform(lanes.from_mm, lanes.to_mm), s.missing_mm * rng.uniform(0.5, 1.5)
            there &= (x < start) | (x > start + size)
            missing.append((row, float(start), float(start + size)))
        killed = rng.random(len(x)) < s.wheel_loss
        there &= ~(killed & lanes.in_track(plants[["x_mm", "y_mm"]].to_numpy(float)))
        lost = rng.random(len(x))
        for loss, (start, stop) in zip(_losses(recipe), plot_spans(recipe, lanes), strict=False):
            there &= ~((x >= start) & (x < stop) & (lost < loss))
        parts.append(staged(plants[there].reset_index(drop=True), recipe.crop, rng))
    crop = pd.concat(parts, ignore_index=True)
    seen = (crop.x_mm > low[0]) & (crop.x_mm < high[0]) & (crop.y_mm > low[1]) & (crop.y_mm < high[1])
    crop = crop[seen].reset_index(drop=True)
    weeds = _weeds(recipe, low, high, rng)
    return StripField(finish_field(crop, weeds, rng), lanes, tuple(missing))


def _losses(recipe: SceneRecipe) -> list[float]:
    """Share of plants lost in each plot."""
    s = recipe.strip
    return [s.treatment_loss[n % len(s.treatments)] for n in range(s.plots)] if s.treatment_loss else []


def plot_sides(recipe: SceneRecipe, lanes: Lanes) -> tuple[float, float]:
    """Y of the plots' right and left sides: half a row beyond the outer rows, swing included. [mm]"""
    half = recipe.crop.row_width_mm / 2 + recipe.strip.curve_mm
    return float(lanes.row_mm[0] - half), float(lanes.row_mm[-1] + half)


def plot_spans(recipe: SceneRecipe, lanes: Lanes) -> list[tuple[float, float]]:
    """First and last X of the recipe's plots: beside each other along the rows, within the picture. [mm]"""
    s, camera = recipe.strip, strip_camera(recipe)
    if not s.plots:
        return []
    edges = np.linspace(lanes.from_mm, lanes.to_mm, 2000)
    seen = np.ones(len(edges), bool)
    for y in plot_sides(recipe, lanes):
        px, _ = camera.project(np.c_[edges, np.full(len(edges), y), np.zeros(len(edges))])
        seen &= ((px >= -0.5) & (px <= [s.width_px - 0.5, s.height_px - 0.5])).all(1)
    if not seen.any():  # the rows reach beyond the picture on a side
        seen[:] = True
    first, last = edges[seen].min(), edges[seen].max()
    length = (last - first - PLOT_GAP_MM * (s.plots - 1)) / s.plots
    if length <= 0:
        raise BadSettings(f"{s.plots} plots have no place in this strip.", "Ask for fewer plots or a longer strip.")
    starts = first + np.arange(s.plots) * (length + PLOT_GAP_MM)
    return [(float(start), float(start + length)) for start in starts]


def _weeds(recipe: SceneRecipe, low: np.ndarray, high: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Places of weeds, ``weed_patch`` of them in patches. (n, 2)"""
    count = rng.poisson(recipe.crop.weeds_per_m2 * np.prod((high - low) / 1000))
    place = rng.uniform(low, high, (count, 2))
    patched = rng.random(count) < recipe.strip.weed_patch
    patches = max(int(np.prod((high - low) / 1000) / 6), 1)
    middle = rng.uniform(low, high, (patches, 2))[rng.integers(patches, size=count)]
    patch = middle + rng.normal(0, 350, (count, 2))
    place[patched] = patch[patched]
    return place[(place > low).all(1) & (place < high).all(1)]
