"""What lies on the soil or stands out of it: straw and stalk pieces, stones, stubble."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from standcam.synthetic.litter import dry_leaf_mesh, stalk_mesh, stick_mesh
from standcam.synthetic.mesh import STONE, STRAW, Mesh, join, sheet, tube
from standcam.synthetic.recipe import GroundRecipe

Maker = Callable[[np.ndarray, np.ndarray, float, np.random.Generator], Mesh]


def litter(ground: GroundRecipe) -> list[tuple[int, Maker, float]]:
    """What a recipe strews: a number of its own for each kind, who makes it, and how many a m²."""
    kinds = (
        (1, straw_mesh, ground.straw_per_m2),
        (2, stone_mesh, ground.stones_per_m2),
        (3, stubble_mesh, ground.stubble_per_m2),
        (4, dry_leaf_mesh, ground.dry_leaves_per_m2),
        (5, stick_mesh, ground.sticks_per_m2),
        (6, stalk_mesh, ground.stalks_per_m2),
    )
    return [kind for kind in kinds if kind[2]]


def straw_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Pieces scattered over a rectangle of soil; a few are broad stalks and husks."""
    count = rng.poisson(per_m2 * float(np.prod((high_mm - low_mm) / 1000)))
    broad = rng.random(count) < 0.12
    meshes = []
    for chosen, columns in ((~broad, 3), (broad, 5)):
        n = int(chosen.sum())
        if not n:
            continue
        wide = columns == 5
        length = np.clip(rng.lognormal(np.log(60 if wide else 42), 0.6, n), 8, 320)
        width = rng.uniform(5, 14, n) if wide else rng.uniform(1.0, 3.4, n)
        t = np.linspace(-0.5, 0.5, 7)
        heading = rng.uniform(0, 2 * np.pi, n)
        curl = rng.normal(0, 0.12, n) + (rng.random(n) < 0.2) * rng.normal(0, 0.8, n)
        turn = heading[:, None] + curl[:, None] * t
        along = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        path = np.cumsum(along, axis=1) * (length / 6)[:, None, None]
        path += rng.uniform(low_mm, high_mm, (n, 2))[:, None] - path.mean(1, keepdims=True)
        tilt = rng.normal(0, 0.05, n)
        arch = np.abs(rng.normal(0, 0.05, n))
        base = rng.uniform(0.8, 3.0, n)[:, None] + width[:, None] * 0.25
        z = base + np.abs(tilt[:, None] * t * length[:, None]) + arch[:, None] * length[:, None] * (0.25 - t**2)
        s = np.linspace(-1, 1, columns)
        taper = np.where(wide, 1 - 0.5 * np.abs(2 * t) ** 3, 1.0)
        side = np.stack([-along[..., 1], along[..., 0]], axis=-1)
        flat = path[:, :, None] + side[:, :, None] * (width[:, None, None] / 2 * taper[:, None] * s)[..., None]
        # stalks are half cylinders that catch light on one flank; husks are nearly flat
        height = z[:, :, None] + (width[:, None, None] * (0.14 if wide else 0.4)) * np.sqrt(np.clip(1 - s**2, 0, 1))
        tone = rng.normal(1, 0.22, n).clip(0.4, 1.5)[:, None]
        grey = rng.random(n)[:, None] ** 2
        colour = tone * ((1 - grey) * [0.66, 0.54, 0.30] + grey * [0.40, 0.35, 0.27])
        meshes.append(sheet(np.concatenate([flat, height[..., None]], axis=-1), colour, 0, STRAW))
    return join(meshes)


def stone_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Stones and hard clods that stand out of the soil and cast shadows of their own."""
    n = rng.poisson(per_m2 * float(np.prod((high_mm - low_mm) / 1000)))
    if not n:
        return join([])
    radius = np.clip(rng.lognormal(np.log(10), 0.5, n), 4, 45)
    height = radius * rng.uniform(0.4, 1.0, n)
    angle = np.linspace(0, 2 * np.pi, 11)
    # an outline of three waves, so that no two look alike
    waves = rng.normal(0, 0.10, (n, 3, 2))
    turns = np.arange(1, 4)[:, None] * angle
    outline = 1 + waves[..., 0] @ np.cos(turns) + waves[..., 1] @ np.sin(turns)
    share = np.array([1.0, 0.85, 0.55, 0.05])
    reach = (radius[:, None] * outline)[:, None] * share[:, None]
    squeeze, heading = rng.uniform(0.6, 1.0, n)[:, None, None], rng.uniform(0, np.pi, n)[:, None, None]
    along, across = reach * np.cos(angle), reach * np.sin(angle) * squeeze
    x = along * np.cos(heading) - across * np.sin(heading)
    y = along * np.sin(heading) + across * np.cos(heading)
    z = (height[:, None] * np.sqrt(1 - 0.98 * share**2) - 1.0)[:, :, None] + np.zeros_like(x)
    middle = rng.uniform(low_mm, high_mm, (n, 2))[:, None, None]
    points = np.concatenate([np.stack([x, y], axis=-1) + middle, z[..., None]], axis=-1)
    tone = rng.lognormal(0, 0.35, n).clip(0.4, 2.2)[:, None]
    grey = rng.random(n)[:, None]
    return sheet(points, tone * ((1 - grey) * [0.22, 0.16, 0.11] + grey * [0.24, 0.23, 0.21]), 0, STONE)


def stubble_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Stumps of the last crop, upright or leaning."""
    meshes = []
    for _ in range(rng.poisson(per_m2 * float(np.prod((high_mm - low_mm) / 1000)))):
        foot = np.r_[rng.uniform(low_mm, high_mm), -2.0]
        lean, heading = abs(rng.normal(0, 0.35)), rng.uniform(0, 2 * np.pi)
        axis = np.array([np.sin(lean) * np.cos(heading), np.sin(lean) * np.sin(heading), np.cos(lean)])
        path = foot + np.linspace(0, rng.uniform(50, 220), 16)[:, None] * axis
        radius = rng.uniform(3, 11) * np.linspace(1.15, 0.9, 16)
        colour = rng.normal(1, 0.2) * np.array([[0.58, 0.48, 0.30], [0.40, 0.35, 0.27]][rng.integers(2)])
        meshes.append(tube(path, radius, colour.clip(0.05, 0.9), 0, STONE, sides=7))
        angle = np.linspace(0, 2 * np.pi, 8)
        ring = np.stack([np.cos(angle), np.sin(angle), np.zeros(8)], axis=-1) * radius[-1]
        cap = np.stack([path[-1] + ring, path[-1] + ring * 0.02])
        meshes.append(sheet(cap, (colour * 1.1).clip(0.05, 0.9), 0, STONE))
    return join(meshes)
