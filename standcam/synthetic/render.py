"""Truth, camera and light to a picture in linear light, with exact masks.

Soil is lit on a ground grid and then seen through the camera; plants, straw and scale mark are triangles over
it, shaded sample by sample. What a camera makes of the light is in :mod:`standcam.synthetic.noise`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd

from standcam.synthetic import ground_grid, raster, soil
from standcam.synthetic import light as lighting
from standcam.synthetic.camera import FARTHEST_MM, Camera
from standcam.synthetic.lanes import Lanes
from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.light import Light
from standcam.synthetic.mesh import BOARD, BROAD_LEAF, LEAF, STEM, STICK, STRAW, Mesh, join
from standcam.synthetic.ortho import OrthoCamera
from standcam.synthetic.plant_shapes import PLAIN, plant_mesh
from standcam.synthetic.raster import SUPER, Samples
from standcam.synthetic.recipe import GroundRecipe, SceneRecipe
from standcam.synthetic.residue import litter
from standcam.synthetic.targets import TEXTURE_PX_PER_MM, Target

HAZE = np.array([0.94, 1.0, 1.08])
"""Colour of what lies beyond the soil that is drawn."""


@dataclass(frozen=True)
class Rendered:
    """A picture before the camera's electronics."""

    linear: np.ndarray
    """Linear light, float32. (H, W, 3)"""
    owners: np.ndarray
    """Number of the plant a pixel shows, 1 + row in the field table; 0 for none. (H, W)"""
    plants: pd.DataFrame
    """For each plant of the field: ``n_px`` seen, ``whole_px`` if nothing hid it, ``base_visible``."""


def render(
    recipe: SceneRecipe, field: pd.DataFrame, camera: Camera, target: Target | None, rng: np.random.Generator
) -> Rendered:
    """Picture of a field.

    Parameters
    ----------
    field : DataFrame
        As :func:`standcam.synthetic.field.lay_field` gives it, with ``z_mm`` of the stem bases.
    """
    outline = camera.footprint()
    low, high = outline.min(0) - 20, outline.max(0) + 20
    plants = _plants(recipe, field, target)
    things = [make(low, high, per_m2, rng) for _, make, per_m2 in litter(recipe.ground)]
    if target is not None:
        things.append(target.mesh)
    lying = join(things)
    mesh = join([lying, plants])
    corners_px, distance = camera.project(mesh.corners)
    # what lies on the soil first, in order of laying; then plants, farthest first
    standing = len(lying) + np.argsort(-distance[len(lying) :].mean(1), kind="stable")
    samples = raster.fill(corners_px, np.r_[np.arange(len(lying)), standing], camera.width_px, camera.height_px)

    grid = ground_grid.make_grid(low, high, _finest_mm(camera))
    light = lighting.cast(recipe.light, camera, recipe.camera.azimuth_deg, mesh, grid)
    ground = _soil_picture(recipe, field, camera, light, rng)
    colour = shade(mesh, samples, camera, light, target, recipe.leaves)
    linear = compose(ground, samples, colour)
    if recipe.light.veil:
        linear = veiled(linear, camera, recipe.light.veil)
    owner = np.where(samples.index >= 0, mesh.owner[samples.index], 0)
    return Rendered(linear, vote(owner), visibility(field, camera, mesh, corners_px, owner))


def _plants(recipe: SceneRecipe, field: pd.DataFrame, target: Target | None) -> Mesh:
    bases = field[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    # nothing grows through the scale mark: what stands there is pressed flat under it
    covered = target.covers(bases[:, :2]) if target is not None else np.zeros(len(bases), bool)
    meshes = []
    for n, (kind, stage, seed) in enumerate(zip(field.kind, field.stage, field.shape_seed, strict=True)):
        if not covered[n]:
            species = "weed" if kind == "weed" else recipe.crop.species
            meshes.append(plant_mesh(species, stage, n + 1, int(seed), recipe.leaves).moved(bases[n]))
    return join(meshes)


def _finest_mm(camera: Camera) -> float:
    """Ground length of a pixel where it is finest. [mm]"""
    # seen sharpest: straight down if that is in the picture, else at the lower edge
    spots = np.array([camera.centre_px, [camera.centre_px[0], camera.height_px - 1.0]])
    return float(np.nanmin(camera.ground_map().cm_per_px(spots))) * 10 * 0.9


def _soil_picture(
    recipe: SceneRecipe, field: pd.DataFrame, camera: Camera, light: Light, rng: np.random.Generator
) -> np.ndarray:
    grid = light.grid
    crop = field[field.kind != "weed"]
    width = recipe.crop.row_width_mm
    top_mm = grid.y0_mm + grid.rows * grid.cell_mm
    rows_mm = width * np.arange(np.floor(grid.y0_mm / width), np.ceil(top_mm / width) + 1)
    stems = crop[["x_mm", "y_mm"]].to_numpy(float)
    radiance, h = lit_soil(recipe.ground, rows_mm, stems, light, rng)
    return _through_camera(radiance, h, camera, grid)


def lit_soil(
    ground: GroundRecipe, rows: np.ndarray | Lanes, stems_mm: np.ndarray, light: Light, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Light that the soil sends up, and its height. (rows, columns, 3), (rows, columns) [mm]"""
    grid = light.grid
    h = soil.relief(grid, ground, rows, stems_mm, rng)
    colour = soil.reflectance(grid, ground, h, rng)
    if isinstance(rows, Lanes):
        colour *= (1 + 0.12 * rows.pressed(grid))[..., None]
    sky = (soil.sky_on_relief(grid, h) * (1 - light.shelter)).astype(np.float32)
    total = sky[..., None] * light.sky_rgb.astype(np.float32)
    if light.sun_rgb.any():
        facing, lit = soil.sun_on_relief(grid, h, light.sun, light.softness)
        # a shadow slides over clods: look it up where the sun ray through the cell's own height ends
        drift = (light.sun[:2] / light.sun[2] / grid.cell_mm).astype(np.float32)
        x = np.arange(grid.columns, dtype=np.float32)[None, :] - h * drift[0]
        y = np.arange(grid.rows, dtype=np.float32)[:, None] - h * drift[1]
        dark = cv2.remap(light.shadow, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        if light.person is not None:
            dark = np.maximum(dark, light.person)
        total += (facing * lit * (1 - dark))[..., None] * light.sun_rgb.astype(np.float32)
    return colour * total, h


def _through_camera(radiance: np.ndarray, h: np.ndarray, camera: Camera, grid: ground_grid.Grid) -> np.ndarray:
    """The lit soil as the camera sees it, shifted by its relief. (H, W, 3)"""
    step = 8
    w, hgt = camera.width_px, camera.height_px
    px = np.stack(np.meshgrid(np.arange(0, w + step, step), np.arange(0, hgt + step, step)), axis=-1)
    ground = camera.to_plane(px.reshape(-1, 2))
    away = ground - camera.position_mm[:2]
    reach = np.linalg.norm(away, axis=1)
    far = ~(reach <= FARTHEST_MM)
    ground[far] = camera.position_mm[:2] + away[far] / np.where(far, reach, 1)[far, None] * FARTHEST_MM
    ground[~np.isfinite(ground)] = 0.0
    cells: np.ndarray = grid.cells(ground).reshape(*px.shape).astype(np.float32)
    at_x, at_y = np.meshgrid(np.arange(w, dtype=np.float32) / step, np.arange(hgt, dtype=np.float32) / step)
    cells = cv2.remap(cells, at_x, at_y, cv2.INTER_LINEAR)
    x, y = np.ascontiguousarray(cells[..., 0]), np.ascontiguousarray(cells[..., 1])
    smooth = ground_grid.blur(h, 2.5 / grid.cell_mm)
    height = cv2.remap(smooth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) / np.float32(
        camera.position_mm[2]
    )
    foot = grid.cells(camera.position_mm[:2]).astype(np.float32)
    x, y = x + height * (foot[0] - x), y + height * (foot[1] - y)
    # cells per pixel: where one pixel spans several cells, look into a reduced picture of the soil
    spread = np.hypot(np.gradient(x, axis=0), np.gradient(y, axis=0))
    level = np.clip(np.log2(np.maximum(spread, 1e-3)), 0, 2)[..., None]
    picture = cv2.remap(radiance, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    if level.max() > 0.3:
        reduced = radiance
        for n in (1, 2):
            reduced = cv2.pyrDown(reduced)
            s = 2.0**-n
            coarse = cv2.remap(reduced, x * s, y * s, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            blend = np.clip(level - (n - 1), 0, 1)
            picture = picture * (1 - blend) + coarse * blend
    if far.any():
        haze = cv2.remap(far.reshape(px.shape[:2]).astype(np.float32), at_x, at_y, cv2.INTER_LINEAR)[..., None]
        picture = picture * (1 - haze) + haze * HAZE * float(np.percentile(radiance, 99))
    return picture.astype(np.float32)


def shade(
    mesh: Mesh,
    samples: Samples,
    camera: Camera | OrthoCamera,
    light: Light,
    target: Target | None,
    leaves: LeafRecipe = PLAIN,
) -> np.ndarray:
    """Light sent to the camera by each sample. (n, 3)"""
    p = samples.interpolate(mesh.corners)
    n = samples.interpolate(mesh.normals)
    n /= np.linalg.norm(n, axis=1, keepdims=True) + 1e-9
    view = camera.towards(p)
    n *= np.sign((n * view).sum(1, keepdims=True) + 1e-9)
    material = mesh.material[samples.triangle]
    colour = mesh.colour[samples.triangle] * 1.0
    uv = samples.interpolate(mesh.uv)
    _paint(colour, uv, material, target, leaves.vein)

    level = max(light.sun[2], 0.15)
    cos = n @ light.sun
    reach = light.sun_reaching(p)
    sun = (reach / level)[:, None] * light.sun_rgb
    leaf = (material == LEAF) | (material == BROAD_LEAF)
    green = leaf | (material == STEM)
    # low parts of a plant see less sky than its top
    height = np.clip(p[:, 2] / 45, 0, 1)
    # an upright stem sees half of the sky; leaves tell their lie more strongly, for the sky is brightest above
    lie = 0.38 + leaves.depth * np.where(leaf, 0.34, 0.14)
    open_sky = (0.50 + 0.35 * height) * (1 - lie + lie * n[:, 2])
    if leaves.depth:
        open_sky *= 1 - leaves.depth * np.where(leaf, 0.65, 0.35) * light.covered(p)
    sky = np.where(green, open_sky, 0.72 + 0.28 * n[:, 2])
    out = colour * (np.clip(cos, 0, None)[:, None] * sun + sky[:, None] * light.sky_rgb)
    # light through a leaf is yellower than light off it
    through = np.clip(-cos, 0, None) + 0.12 * np.abs(cos)
    out += (
        leaf[:, None]
        * (0.62 * leaves.through)
        * colour
        * np.array([1.25, 1.35, 0.5])
        * (through[:, None] * sun + 0.15 * light.sky_rgb)
    )
    half = view + light.sun
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    shine = np.clip((n * half).sum(1), 0, 1)
    gloss = np.select(
        [leaf, material == STEM, material == STRAW, material == STICK], [0.11 * leaves.gloss, 0.05, 0.05, 0.06], 0.0
    )
    sharp = np.where(material == BROAD_LEAF, 16.0, 26.0) / np.where(leaf, leaves.gloss_width**2, 1.0)
    out += (gloss * shine**sharp * (cos > 0))[:, None] * sun
    rim = (1 - np.clip((n * view).sum(1), 0, 1)) ** 4
    mirror = 0.018 * np.where(leaf, 1 + 0.35 * (leaves.gloss - 1), 1.0) + 0.14 * rim
    out += (green * mirror)[:, None] * light.sky_rgb
    return out.astype(np.float32)


def _paint(colour: np.ndarray, uv: np.ndarray, material: np.ndarray, target: Target | None, vein: float) -> None:
    """Veins, nodes and the board's print, in place."""
    u, v = uv[:, 0], uv[:, 1]
    grass = material == LEAF
    colour[grass] *= (
        1 + vein * (0.32 * np.exp(-((u[grass] / 0.13) ** 2)) + 0.05 * np.sin(34 * u[grass])) + 0.10 * (v[grass] < 0.12)
    )[:, None]
    broad = material == BROAD_LEAF
    ub, vb = u[broad], v[broad]
    ribs = np.clip(np.sin(2 * np.pi * (5.5 * vb - 1.6 * np.abs(ub))), 0, 1) ** 6
    colour[broad] *= (1 + vein * (0.25 * np.exp(-((ub / 0.07) ** 2)) + 0.10 * ribs))[:, None]
    straw = material == STRAW
    colour[straw] *= (1 + 0.07 * np.sin(21 * u[straw]) + 0.10 * np.sin(5 * v[straw] + 3 * u[straw]))[:, None]
    board = material == BOARD
    if board.any() and target is not None and target.texture is not None:
        face = target.texture
        h, w = face.shape
        x = ((u[board] + 1) / 2 * w - 0.5).astype(np.float32)
        y = (v[board] * h - 0.5).astype(np.float32)
        # one sample spans several texture pixels
        soft = cv2.GaussianBlur(face, (0, 0), 0.35 * TEXTURE_PX_PER_MM)
        colour[board] = _remap_list(soft, x, y)[:, None]


def _remap_list(image: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    n, wide = len(x), 16384
    pad = -(-n // wide) * wide - n
    x, y = (np.pad(a, (0, pad)).reshape(-1, wide) for a in (x, y))
    return cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()[:n]


def compose(ground: np.ndarray, samples: Samples, colour: np.ndarray) -> np.ndarray:
    """The ground with what the samples show over it, averaged to pixels. (H, W, 3)"""
    h, w = ground.shape[:2]
    pixel = (samples.row // SUPER) * w + samples.column // SUPER
    share = np.bincount(pixel, minlength=h * w) / SUPER**2
    out = ground * (1 - share).reshape(h, w, 1).astype(np.float32)
    for c in range(3):
        out[..., c] += (np.bincount(pixel, colour[:, c], h * w) / SUPER**2).reshape(h, w)
    return out


def veiled(linear: np.ndarray, camera: Camera, share: float) -> np.ndarray:
    """A picture with stray light that grows with the distance of what it shows. (H, W, 3)

    ``share`` is that of the picture's middle; the law is that of evenly spread haze (Koschmieder; from memory).
    """
    step = 16
    w, h = camera.width_px, camera.height_px
    px = np.stack(np.meshgrid(np.arange(0, w + step, step), np.arange(0, h + step, step)), axis=-1).reshape(-1, 2)
    spot = np.vstack([px, camera.centre_px])
    far = np.linalg.norm(np.c_[camera.to_plane(spot), np.zeros(len(spot))] - camera.position_mm, axis=1)
    far = np.where(far <= FARTHEST_MM, far, FARTHEST_MM)  # NaN above the horizon
    clear = (1 - share) ** (far[:-1] / far[-1])
    coarse = clear.reshape(len(range(0, h + step, step)), -1).astype(np.float32)
    x, y = np.meshgrid(np.arange(w, dtype=np.float32) / step, np.arange(h, dtype=np.float32) / step)
    keep = cv2.remap(coarse, x, y, cv2.INTER_LINEAR)[..., None]
    stray = (HAZE * float(np.percentile(linear[::8, ::8], 90))).astype(np.float32)
    out: np.ndarray = linear * keep + stray * (1 - keep)
    return out


def vote(owner: np.ndarray, per_px: int = SUPER) -> np.ndarray:
    """Owner of each pixel: a plant where plants have at least half of the samples. (H, W) int32"""
    h, w = owner.shape[0] // per_px, owner.shape[1] // per_px
    parts = owner.reshape(h, per_px, w, per_px).transpose(1, 3, 0, 2).reshape(per_px**2, h, w)
    enough = (parts > 0).sum(0) * 2 >= per_px**2
    top = parts[0].copy()
    for other in parts[1:]:
        top = np.where(top == 0, other, top)
    return np.where(enough, top, 0).astype(np.int32)


def visibility(
    field: pd.DataFrame, camera: Camera, mesh: Mesh, corners_px: np.ndarray, owner: np.ndarray
) -> pd.DataFrame:
    """How much of each plant of a field shows, by the owners of the samples; see ``Rendered.plants``."""
    count = np.bincount(owner.ravel(), minlength=len(field) + 1)[1:] / SUPER**2
    base_px, _ = camera.project(field[["x_mm", "y_mm", "z_mm"]].to_numpy(float))
    inside = in_picture(base_px, camera)
    whole = np.zeros(len(field))
    start = np.searchsorted(mesh.owner, np.arange(1, len(field) + 2))  # owners ascend; things (0) come first
    for n in np.flatnonzero((count > 0) | inside):
        whole[n] = raster.silhouette_px(corners_px[start[n] : start[n + 1]])
    base_visible = np.zeros(len(field), bool)
    at = np.round(raster.to_samples(base_px[inside])).astype(int)
    seen = owner[at[:, 1].clip(0, owner.shape[0] - 1), at[:, 0].clip(0, owner.shape[1] - 1)]
    numbers = np.flatnonzero(inside) + 1
    base_visible[inside] = ((seen == 0) | (seen == numbers)) & (whole[inside] > 0)
    return pd.DataFrame({"n_px": count, "whole_px": whole, "base_visible": base_visible})


def in_picture(points_px: np.ndarray, camera: Camera | OrthoCamera) -> np.ndarray:
    """Which points lie on a pixel. (n, 2) [px] -> (n,)"""
    with np.errstate(invalid="ignore"):
        return (
            (points_px >= -0.5).all(1)
            & (points_px[:, 0] < camera.width_px - 0.5)
            & (points_px[:, 1] < camera.height_px - 0.5)
        )
