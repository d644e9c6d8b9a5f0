"""Triangles with what shading needs: corners, normals, leaf coordinates, colour, owner and material."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAF, BROAD_LEAF, STEM, STRAW, BOARD, STICK, STONE = range(7)
"""Materials: grass-like and broad leaves differ in their veins."""


@dataclass
class Mesh:
    """Loose triangles in the world frame."""

    corners: np.ndarray
    """(n, 3, 3) [mm]"""
    normals: np.ndarray
    """Unit normals at the corners. (n, 3, 3)"""
    uv: np.ndarray
    """Across (-1 to 1) and along (0 to 1) the ribbon, at the corners. (n, 3, 2)"""
    colour: np.ndarray
    """Linear reflectance, red green blue. (n, 3)"""
    owner: np.ndarray
    """Number of the plant, from 1; 0 for what is no plant. (n,)"""
    material: np.ndarray
    """(n,)"""

    def __len__(self) -> int:
        return len(self.corners)

    def take(self, index: np.ndarray) -> Mesh:
        """Some of the triangles, in the order given."""
        return Mesh(*(getattr(self, name)[index] for name in _FIELDS))

    def moved(self, shift_mm: np.ndarray) -> Mesh:
        """A copy shifted by a vector. (3,) [mm]"""
        return Mesh(self.corners + shift_mm, *(getattr(self, name) for name in _FIELDS[1:]))


_FIELDS = ("corners", "normals", "uv", "colour", "owner", "material")


def join(meshes: list[Mesh]) -> Mesh:
    """One mesh of many; an empty list gives an empty mesh."""
    if not meshes:
        return Mesh(
            np.empty((0, 3, 3)),
            np.empty((0, 3, 3)),
            np.empty((0, 3, 2)),
            np.empty((0, 3)),
            np.empty(0, np.int32),
            np.empty(0, np.uint8),
        )
    return Mesh(*(np.concatenate([getattr(m, name) for m in meshes]) for name in _FIELDS))


def sheet(points: np.ndarray, colour: np.ndarray, owner: int, material: int) -> Mesh:
    """Triangles of one or many sheets of points.

    Parameters
    ----------
    points : (..., rows, cols, 3) [mm]
        Rows run along the ribbon, columns across it.
    colour : (..., 3)
        One colour a sheet.

    Normals may point to either side: shading turns them to the viewer.
    """
    points = np.asarray(points, float)
    rows, cols = points.shape[-3:-1]
    along = np.gradient(points, axis=-3)
    across = np.gradient(points, axis=-2)
    normal = np.cross(across, along)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True) + 1e-12
    uv = np.stack(np.broadcast_arrays(np.linspace(-1, 1, cols)[None, :], np.linspace(0, 1, rows)[:, None]), axis=-1)
    uv = np.broadcast_to(uv, (*points.shape[:-1], 2))

    def triangles(values: np.ndarray) -> np.ndarray:
        a, b = values[..., :-1, :-1, :], values[..., :-1, 1:, :]
        c, d = values[..., 1:, 1:, :], values[..., 1:, :-1, :]
        both = np.stack([np.stack([a, b, c], axis=-2), np.stack([a, c, d], axis=-2)], axis=-3)
        return both.reshape(-1, 3, values.shape[-1])

    n = int(np.prod(points.shape[:-3], dtype=int)) * (rows - 1) * (cols - 1) * 2
    colour = np.asarray(colour, float)
    per_sheet = (rows - 1) * (cols - 1) * 2
    colours = np.repeat(colour.reshape(-1, 3), per_sheet, axis=0) if colour.ndim > 1 else np.tile(colour, (n, 1))
    return Mesh(
        triangles(points),
        triangles(normal),
        triangles(uv),
        colours,
        np.full(n, owner, np.int32),
        np.full(n, material, np.uint8),
    )


def tube(path: np.ndarray, radius: np.ndarray, colour: np.ndarray, owner: int, material: int, sides: int = 6) -> Mesh:
    """A tube about a path. (n, 3) [mm], (n,) [mm]"""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-12
    helper = np.where(np.abs(along[:, 2:]) > 0.9, [[1.0, 0, 0]], [[0, 0, 1.0]])
    first = np.cross(along, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(along, first)
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    ring = first[:, None] * np.cos(angle)[None, :, None] + second[:, None] * np.sin(angle)[None, :, None]
    mesh = sheet(path[:, None] + ring * np.asarray(radius)[:, None, None], colour, owner, material)
    # differences of a closed ring are wrong at its seam: take the normals from the ring itself
    rings = sheet(ring, colour, owner, material).corners
    mesh.normals = rings / (np.linalg.norm(rings, axis=-1, keepdims=True) + 1e-12)
    return mesh
