"""What leaves are made of: greens, bent paths, and ribbons folded along their rib."""

from __future__ import annotations

import numpy as np

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.mesh import BROAD_LEAF, LEAF, Mesh, join, sheet

MAIZE_GREEN = np.array([0.112, 0.235, 0.038])
SOY_GREEN = np.array([0.120, 0.245, 0.052])
WEED_GREEN = np.array([0.090, 0.195, 0.055])
PALE_STEM = np.array([0.26, 0.33, 0.12])


def hue(rng: np.random.Generator, base: np.ndarray, sd: float = 0.10) -> np.ndarray:
    """A green near ``base``: brighter or darker, yellower or bluer."""
    return base * rng.normal(1, sd) * np.array([1 + rng.normal(0, 0.12), 1, 1 + rng.normal(0, 0.15)]).clip(0.6, 1.5)


def tinted(rng: np.random.Generator, base: np.ndarray, leaves: LeafRecipe, sd: float = 0.10) -> np.ndarray:
    """A green near ``base`` by a recipe's tint and spread. (3,)"""
    own = rng.spawn(1)[0]  # so that the plant's form does not hang on its colour
    return hue(rng, base, sd) * leaves.tint * np.exp(own.normal(0, leaves.tint_sd, 3))


def arc(start: np.ndarray, azimuth: float, angles: np.ndarray, length: float, sway: np.ndarray) -> np.ndarray:
    """A path of given elevation angles; ``sway`` turns it sideways. (n, 3) [mm]"""
    heading = azimuth + sway
    step = np.stack([np.cos(angles) * np.cos(heading), np.cos(angles) * np.sin(heading), np.sin(angles)], axis=1)
    middle = (step[1:] + step[:-1]) / 2 * (length / (len(angles) - 1))
    return start + np.vstack([np.zeros(3), np.cumsum(middle, axis=0)])


def frame(path: np.ndarray, twist: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit vectors across and out of a ribbon along ``path``, turned by ``twist``. (n, 3), (n, 3)"""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-12
    flat = path[-1, :2] - path[0, :2]
    flat = flat / (np.linalg.norm(flat) + 1e-9)
    side = np.tile([-flat[1], flat[0], 0.0], (len(path), 1))
    side -= (side * along).sum(1, keepdims=True) * along
    side /= np.linalg.norm(side, axis=1, keepdims=True) + 1e-12
    out = np.cross(along, side)
    c, s = np.cos(twist)[:, None], np.sin(twist)[:, None]
    return c * side + s * out, c * out - s * side


def blade(
    path: np.ndarray,
    width: np.ndarray,
    fold: np.ndarray,
    twist: np.ndarray,
    colour: np.ndarray,
    owner: int,
    ripple: np.ndarray | None = None,
) -> Mesh:
    """A ribbon of two halves, each raised by ``fold`` at its edge, so that light breaks at the rib.

    ``ripple`` lifts the left and the right edge out of the ribbon, in half widths. (n, 2)
    """
    side, out = frame(path, twist)
    half = width[:, None] / 2
    up = np.sin(fold)[:, None]
    left = path + half * (np.cos(fold)[:, None] * side + up * out)
    right = path + half * (-np.cos(fold)[:, None] * side + up * out)
    if ripple is not None:
        left = left + half * ripple[:, :1] * out
        right = right + half * ripple[:, 1:] * out
    return _halves(left, (left + path) / 2, path, (right + path) / 2, right, colour, owner, LEAF)


def _halves(
    left: np.ndarray,
    left_middle: np.ndarray,
    path: np.ndarray,
    right_middle: np.ndarray,
    right: np.ndarray,
    colour: np.ndarray,
    owner: int,
    material: int,
) -> Mesh:
    """Two sheets that meet in a rib, with leaf coordinates from edge to edge."""
    meshes = []
    for columns, sign in (([left, left_middle, path], -1.0), ([path, right_middle, right], 1.0)):
        mesh = sheet(np.stack(columns, axis=1), colour, owner, material)
        mesh.uv = mesh.uv.copy()
        mesh.uv[..., 0] = (mesh.uv[..., 0] + sign) / 2
        meshes.append(mesh)
    return join(meshes)


def pointed_leaf(
    start: np.ndarray,
    azimuth: float,
    elevation: float,
    length: float,
    width: float,
    colour: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    *,
    fold: float,
    droop: float,
    roll: float = 0.0,
    wave: float = 0.0,
    widest: float = 0.36,
    point: float = 1.7,
    teeth: int = 0,
) -> Mesh:
    """A leaf with a rounded base and a tip, its halves folded up about the rib.

    ``widest`` is the place of the greatest width along the leaf, ``point`` from 1 (long tip) to 3 (blunt), ``teeth``
    how many a side.
    """
    t = np.linspace(0, 1, 17 if teeth else 10)
    path = arc(start, azimuth, elevation - droop * t**1.4, length, rng.normal(0, 0.15) * t)
    path[:, 2] = np.maximum(path[:, 2], 0.8)
    side, out = frame(path, roll + rng.normal(0, 0.08) * t)
    outline = np.sqrt(np.clip(1 - np.clip(1 - t / widest, 0, 1) ** 2, 0, 1))
    outline *= 1 - np.clip((t - widest) / (1 - widest), 0, 1) ** point
    if teeth:
        outline *= 1 - 0.28 * (0.5 + 0.5 * np.cos(2 * np.pi * teeth * t))
    half = np.maximum(width / 2 * outline, 0.02 * width)[:, None]
    phase = rng.uniform(0, 2 * np.pi, 2)
    cup = rng.uniform(-0.25, 0.1)  # edges roll down from the fold

    def at(s: float, which: int) -> np.ndarray:
        lift = np.sin(fold) * abs(s) + cup * s * s + wave * 0.3 * s * s * np.sin(9 * t + phase[which])
        return path + half * (s * np.cos(fold) * side + lift[:, None] * out)

    mesh = _halves(at(1.0, 0), at(0.5, 0), path, at(-0.5, 1), at(-1.0, 1), colour, owner, BROAD_LEAF)
    mesh.colour = mesh.colour * (1 + rng.normal(0, 0.12) * (mesh.uv[..., 1].mean(1) - 0.5))[:, None]
    return mesh
