"""Litter of other shapes than straw: dry leaves, cut stalks with a hollow end, thin sticks."""

from __future__ import annotations

import numpy as np

from standcam.synthetic.mesh import STONE, STRAW, Mesh, join, sheet, tube

LEAF_TONES = np.array(
    [[0.34, 0.21, 0.09], [0.44, 0.28, 0.11], [0.55, 0.42, 0.20], [0.62, 0.53, 0.34], [0.27, 0.25, 0.22]]
)
STICK_TONES = np.array([[0.55, 0.38, 0.14], [0.66, 0.54, 0.30], [0.24, 0.19, 0.14], [0.34, 0.32, 0.30]])
"""Linear reflectance, brown, yellow, pale and grey: chosen to look right (no source)."""


def _count(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> int:
    return int(rng.poisson(per_m2 * float(np.prod((high_mm - low_mm) / 1000))))


def _tones(tones: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
    return (tones[rng.integers(len(tones), size=n)] * rng.normal(1, 0.2, n).clip(0.5, 1.5)[:, None]).clip(0.02, 0.9)


def _paths(
    low_mm: np.ndarray, high_mm: np.ndarray, length: np.ndarray, turn: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Paths on the ground of given headings, and the directions across them. (n, k, 2), (n, k, 2)"""
    along = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    path = np.cumsum(along, axis=1) * (length / turn.shape[1])[:, None, None]
    path += rng.uniform(low_mm, high_mm, (len(length), 2))[:, None] - path.mean(1, keepdims=True)
    return path, np.stack([-along[..., 1], along[..., 0]], axis=-1)


def dry_leaf_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Broad dry leaves and husks: pointed, curled along and across, with wavy edges."""
    n = _count(low_mm, high_mm, per_m2, rng)
    if not n:
        return join([])
    t, s = np.linspace(0, 1, 10), np.linspace(-1, 1, 6)
    length = np.clip(rng.lognormal(np.log(75), 0.5, n), 18, 260)
    width = length * rng.uniform(0.12, 0.38, n)
    turn = rng.uniform(0, 2 * np.pi, n)[:, None] + rng.normal(0, 0.6, n)[:, None] * (t - 0.5)
    path, side = _paths(low_mm, high_mm, length, turn, rng)
    point = rng.uniform(0.5, 1.2, n)[:, None]
    outline = np.sin(np.pi * t.clip(0.02, 0.985)) ** point
    torn = 1 + rng.normal(0, 0.10, (n, len(t)))
    half = (width[:, None] / 2 * outline * torn.clip(0.6, 1.3))[:, :, None] * s
    flat = path[:, :, None] + side[:, :, None] * half[..., None]
    phase, waves = rng.uniform(0, 2 * np.pi, (2, n, 1, 1)), rng.uniform(4, 14, (n, 1, 1))
    curl, bow = rng.normal(0.25, 0.35, (n, 1, 1)), np.abs(rng.normal(0, 0.10, (n, 1, 1)))
    w, tt = width[:, None, None], t[None, :, None]
    z = curl * w * s**2 + 0.10 * w * s**2 * np.sin(waves * tt + phase[0] + 2 * np.sign(s))
    z += bow * length[:, None, None] * np.sin(np.pi * tt + 0.4 * np.sin(phase[1]))
    z -= z.min((1, 2), keepdims=True)
    z += rng.uniform(0.8, 3.0, (n, 1, 1))
    return sheet(np.concatenate([flat, z[..., None]], axis=-1), _tones(LEAF_TONES, n, rng), 0, STRAW)


def stick_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Thin sticks, straight or kinked, some off the soil at one end."""
    n = _count(low_mm, high_mm, per_m2, rng)
    if not n:
        return join([])
    t, s = np.linspace(0, 1, 6), np.linspace(-1, 1, 3)
    length = np.clip(rng.lognormal(np.log(60), 0.7, n), 10, 300)
    kinked = (rng.random(n) < 0.35)[:, None]
    turn = rng.uniform(0, 2 * np.pi, n)[:, None] + kinked * np.cumsum(rng.normal(0, 0.25, (n, len(t))), axis=1)
    path, side = _paths(low_mm, high_mm, length, turn, rng)
    half = rng.uniform(0.4, 1.3, n)[:, None, None] * s
    flat = path[:, :, None] + side[:, :, None] * half[..., None]
    lift = np.abs(rng.normal(0, 0.06, n))[:, None] * length[:, None] * t
    z = rng.uniform(0.6, 3.0, n)[:, None, None] + lift[:, :, None] + np.abs(half).max(2, keepdims=True) * (1 - s**2)
    return sheet(np.concatenate([flat, z[..., None]], axis=-1), _tones(STICK_TONES, n, rng), 0, STRAW)


def stalk_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Cut stalks that lie on the soil: short cylinders, hollow and dark at their ends."""
    meshes = []
    for _ in range(_count(low_mm, high_mm, per_m2, rng)):
        heading, rise = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.06)
        radius, length = rng.uniform(3.5, 12), float(np.clip(rng.lognormal(np.log(95), 0.5), 30, 320))
        axis = np.array([np.cos(heading) * np.cos(rise), np.sin(heading) * np.cos(rise), np.sin(rise)])
        middle = np.r_[rng.uniform(low_mm, high_mm), 0.8 * radius + abs(np.sin(rise)) * length / 2]
        path = middle + np.linspace(-0.5, 0.5, 20)[:, None] * length * axis
        colour = _tones(LEAF_TONES, 1, rng)[0]
        squash = radius * np.linspace(1.0, rng.uniform(0.8, 1.1), 20)
        parts = [tube(path, squash, colour, 0, STRAW, sides=10)]
        across = np.array([-np.sin(heading), np.cos(heading), 0.0])
        up = np.cross(axis, across)
        angle = np.linspace(0, 2 * np.pi, 11)[:, None]
        ring = np.cos(angle) * across + np.sin(angle) * up
        for end in (0, -1):
            rim, hollow = squash[end] * ring, 0.72 * squash[end] * ring
            parts.append(sheet(path[end] + np.stack([rim, hollow]), (colour * 1.2).clip(0, 0.9), 0, STONE))
            parts.append(sheet(path[end] + np.stack([hollow, 0.02 * ring]), colour * 0.15, 0, STONE))
        stalk = join(parts)
        # what lies on the soil is drawn in the order of laying: the underside first
        meshes.append(stalk.take(np.argsort(stalk.corners[..., 2].mean(1), kind="stable")))
    return join(meshes)
