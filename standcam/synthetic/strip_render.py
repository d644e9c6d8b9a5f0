"""A strip in linear light, tile by tile, so that memory does not grow with its size, with exact masks.

Each tile is drawn finer than the picture and averaged down. Plants, straw and the soil's wide octaves are the same
whichever tile draws them; clods are not, so neighbouring tiles overlap and are blended.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.synthetic import ground_grid, raster
from standcam.synthetic import light as lighting
from standcam.synthetic.mesh import Mesh, join
from standcam.synthetic.ortho import OrthoCamera
from standcam.synthetic.plant_shapes import plant_mesh
from standcam.synthetic.raster import SUPER
from standcam.synthetic.recipe import GroundRecipe, SceneRecipe
from standcam.synthetic.render import compose, in_picture, lit_soil, shade, vote
from standcam.synthetic.residue import litter
from standcam.synthetic.strip_field import StripField

COARSEST_DRAWN_MM = 3.0
"""Pixels are drawn at most so large, with ``raster.SUPER`` samples each way. [mm]"""
TILE_CELLS = 6_500_000
"""Cells of soil in a tile, margins included."""
OVERLAP_MM = 36.0
"""Neighbouring tiles overlap by this on either side: more than a clod. [mm]"""
LEAF_REACH_MM, TALL_MM = 330.0, 200.0
"""How far leaves reach from their stem, and how high. [mm]"""
LONGEST_SHADOW_MM = 600.0
LITTER_BLOCK_MM = 1000.0


@dataclass(frozen=True)
class RenderedStrip:
    """A strip before the camera's electronics."""

    linear: np.ndarray
    """Linear light, float16. (H, W, 3)"""
    owners: np.ndarray
    """Number of the plant a pixel shows, 1 + row in the field table; 0 for none. (H, W) int32"""
    plants: pd.DataFrame
    """For each plant of the field: ``n_px`` seen, ``whole_px`` if nothing hid it, ``base_visible``."""


@dataclass(frozen=True)
class _Tile:
    number: tuple[int, int]
    x0: int
    y0: int
    width: int
    height: int
    """The part of the picture that is this tile's own. [px]"""


def finer(mm_per_px: float) -> int:
    """How many pixels are drawn for one of the picture, each way."""
    return max(1, int(np.ceil(mm_per_px / COARSEST_DRAWN_MM)))


def render_strip(
    recipe: SceneRecipe, field: StripField, camera: OrthoCamera, rng: np.random.Generator, plants_show: bool = True
) -> RenderedStrip:
    """Picture of a strip in linear light; without plants, their shadows still fall on it."""
    k = finer(camera.mm_per_px)
    h, w = camera.height_px, camera.width_px
    seed = int(rng.integers(2**31))
    plants = field.plants
    # float16 keeps three digits of light, and halves what a large strip holds
    linear = np.zeros((h, w, 3), np.float16)
    owners = np.zeros((h, w), np.int32)
    seen = np.zeros(len(plants))
    whole = np.zeros(len(plants))
    base_visible = np.zeros(len(plants), bool)
    bases = plants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    base_px, _ = camera.project(bases)
    edge = max(2, round(OVERLAP_MM / camera.mm_per_px))
    shadow = _shadow_mm(recipe)
    kept: dict[int, Mesh] = {}
    for tile in _tiles(camera, k, edge, shadow):
        left, top = min(edge, tile.x0), min(edge, tile.y0)
        right = min(edge, w - tile.x0 - tile.width)
        bottom = min(edge, h - tile.y0 - tile.height)
        window = camera.part(tile.x0 - left, tile.y0 - top, tile.width + left + right, tile.height + top + bottom, k)
        outline = window.footprint()
        low, high = outline.min(0), outline.max(0)
        beside = LEAF_REACH_MM + shadow
        near = ((bases[:, :2] > low - beside) & (bases[:, :2] < high + beside)).all(1)
        wanted = np.flatnonzero(near)
        kept = dict(zip(wanted.tolist(), plant_meshes(recipe, plants, bases, wanted, kept), strict=True))
        mesh_plants = join(list(kept.values()))
        light, owner, mesh, corners_px = _draw(
            recipe, field, window, mesh_plants, seed, tile.number, shadow, plants_show
        )
        light = light.reshape(window.height_px // k, k, window.width_px // k, k, 3).mean((1, 3))
        weight = _ramp(light.shape[0], top, bottom)[:, None] * _ramp(light.shape[1], left, right)[None, :]
        own = np.s_[tile.y0 - top : tile.y0 + tile.height + bottom, tile.x0 - left : tile.x0 + tile.width + right]
        linear[own] += (light * weight[..., None]).astype(np.float16)
        n = k * SUPER
        core = owner[top * n : (top + tile.height) * n, left * n : (left + tile.width) * n]
        owners[tile.y0 : tile.y0 + tile.height, tile.x0 : tile.x0 + tile.width] = vote(core, n)
        seen += np.bincount(core.ravel(), minlength=len(plants) + 1)[1:] / n**2
        here = (
            (base_px >= [tile.x0 - 0.5, tile.y0 - 0.5])
            & (base_px < [tile.x0 + tile.width - 0.5, tile.y0 + tile.height - 0.5])
        ).all(1)
        touched = np.zeros(len(plants), bool)
        touched[np.unique(core[core > 0]) - 1] = True
        for i in np.flatnonzero(here | (touched & (whole == 0))):
            span = np.searchsorted(mesh.owner, [i + 1, i + 2])
            whole[i] = raster.silhouette_px(corners_px[span[0] : span[1]]) / k**2
        at = np.round(raster.to_samples((base_px[here] - [tile.x0, tile.y0] + 0.5) * k - 0.5)).astype(int)
        shown = core[at[:, 1].clip(0, core.shape[0] - 1), at[:, 0].clip(0, core.shape[1] - 1)]
        base_visible[here] = (shown == 0) | (shown == np.flatnonzero(here) + 1)
    inside = in_picture(base_px, camera)
    table = pd.DataFrame({"n_px": seen, "whole_px": whole, "base_visible": base_visible & inside & (whole > 0)})
    return RenderedStrip(linear, owners, table)


def _tiles(camera: OrthoCamera, k: int, edge: int, shadow_mm: float) -> Iterator[_Tile]:
    c, s = abs(np.cos(camera.heading)), abs(np.sin(camera.heading))
    cell = _cell_mm(camera.mm_per_px / k)
    side_mm = np.sqrt(TILE_CELLS) * cell / (c + s) - 2 * _beside_mm(shadow_mm) - 2 * OVERLAP_MM
    most = max(int(side_mm / camera.mm_per_px), 4 * edge)
    columns, rows = (-(-n // most) for n in (camera.width_px, camera.height_px))
    if columns * rows > 1 and camera.width_px * camera.height_px * (camera.mm_per_px / cell) ** 2 < 0.8 * TILE_CELLS:
        columns = rows = 1  # flat pieces fit whole, whatever their sides
    x = np.linspace(0, camera.width_px, columns + 1).round().astype(int)
    y = np.linspace(0, camera.height_px, rows + 1).round().astype(int)
    for j in range(rows):
        for i in range(columns):
            yield _Tile((j, i), int(x[i]), int(y[j]), int(x[i + 1] - x[i]), int(y[j + 1] - y[j]))


def _cell_mm(drawn_mm: float) -> float:
    """Cells of soil: a little larger than the pixels drawn, which are finer than those of the picture. [mm]"""
    return max(1.15 * drawn_mm, 1.2)


def _shadow_mm(recipe: SceneRecipe) -> float:
    if recipe.light.kind == "overcast":
        return 0.0
    return float(min(TALL_MM / np.tan(np.deg2rad(recipe.light.sun_elevation_deg)), LONGEST_SHADOW_MM))


def _beside_mm(shadow_mm: float) -> float:
    """Soil around a tile on which light is worked out: shadows of leaves on leaves are looked up there. [mm]"""
    return 60.0 + 0.7 * shadow_mm


def plant_meshes(
    recipe: SceneRecipe,
    plants: pd.DataFrame,
    bases: np.ndarray,
    wanted: np.ndarray,
    kept: dict[int, Mesh] | None = None,
) -> list[Mesh]:
    """Meshes of some plants of a field, by their rows in it; those kept from before are taken over."""
    kept = kept or {}
    species = np.where(plants.kind == "weed", "weed", recipe.crop.species)
    stage, seed = plants.stage.to_numpy(float), plants.shape_seed.to_numpy()
    return [
        kept[n] if n in kept else plant_mesh(species[n], stage[n], n + 1, int(seed[n]), recipe.leaves).moved(bases[n])
        for n in wanted.tolist()
    ]


def _draw(
    recipe: SceneRecipe,
    field: StripField,
    window: OrthoCamera,
    plants: Mesh,
    seed: int,
    number: tuple[int, int],
    shadow_mm: float,
    plants_show: bool,
) -> tuple[np.ndarray, np.ndarray, Mesh, np.ndarray]:
    """Light and sample owners of one window, its mesh, and where the mesh's corners are drawn."""
    outline = window.footprint()
    beside = _beside_mm(shadow_mm)
    low, high = outline.min(0) - beside, outline.max(0) + beside
    lying = _litter(low, high, recipe.ground, seed)
    mesh = join([lying, plants])
    corners_px, depth = window.project(mesh.corners)
    standing = len(lying) + np.argsort(-depth[len(lying) :].mean(1), kind="stable")
    if not plants_show:
        standing = standing[:0]
    samples = raster.fill(corners_px, np.r_[np.arange(len(lying)), standing], window.width_px, window.height_px)
    grid = ground_grid.snapped(low, high, _cell_mm(window.mm_per_px))
    light = lighting.cast(recipe.light, None, 0.0, mesh, grid)
    crop = field.plants[field.plants.kind != "weed"]
    stems = crop[["x_mm", "y_mm"]].to_numpy(float)
    stems = stems[((stems > low - 20) & (stems < high + 20)).all(1)]
    radiance, _ = lit_soil(recipe.ground, field.lanes, stems, light, ground_grid.GroundNoise(seed, number))
    colour = shade(mesh, samples, window, light, None, recipe.leaves)
    owner = np.where(samples.index >= 0, mesh.owner[samples.index], 0) if len(mesh) else np.zeros_like(samples.index)
    return compose(window.look_at(radiance, grid), samples, colour), owner, mesh, corners_px


def _litter(low: np.ndarray, high: np.ndarray, ground: GroundRecipe, seed: int) -> Mesh:
    """Straw, stones and stubble over a rectangle, block by block, each block the same whoever asks."""
    first, last = np.floor(low / LITTER_BLOCK_MM).astype(int), np.floor(high / LITTER_BLOCK_MM).astype(int)
    far, blocks = 1 << 24, []  # seeds may not be negative
    for number, make, per_m2 in litter(ground):
        for j in range(first[1], last[1] + 1):
            for i in range(first[0], last[0] + 1):
                corner = np.array([i, j]) * LITTER_BLOCK_MM
                rng = np.random.default_rng([seed, number, i + far, j + far])
                blocks.append(make(corner, corner + LITTER_BLOCK_MM, per_m2, rng))
    mesh = join(blocks)
    x, y = mesh.corners[..., 0], mesh.corners[..., 1]
    near = (x.max(1) > low[0]) & (x.min(1) < high[0]) & (y.max(1) > low[1]) & (y.min(1) < high[1])
    return mesh.take(np.flatnonzero(near))


def _ramp(length: int, before: int, after: int) -> np.ndarray:
    """Weight of a tile: 1 inside, and together with its neighbour's 1 in the overlap on either side. (length,)"""
    weight = np.ones(length, np.float32)
    for part, n in ((weight, before), (weight[::-1], after)):
        if n:
            part[: 2 * n] *= (np.arange(2 * n, dtype=np.float32) + 0.5) / (2 * n)
    return weight
