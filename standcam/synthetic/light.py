"""Sun, sky and shadows of a synthetic scene."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.synthetic import ground_grid, raster
from standcam.synthetic.camera import Camera
from standcam.synthetic.ground_grid import Grid
from standcam.synthetic.mesh import Mesh
from standcam.synthetic.recipe import LightRecipe

SUN_RGB = np.array([1.0, 0.93, 0.82])
SKY_RGB = np.array([0.78, 0.90, 1.12])
CLOUD_RGB = np.array([0.96, 1.0, 1.05])
STRENGTH = {"sun": (1.0, 0.20), "haze": (0.48, 0.48), "overcast": (0.0, 0.95)}
"""Irradiance of level ground from sun and from sky, relative."""
PENUMBRA_MM = {"sun": 0.7, "haze": 7.0, "overcast": 0.0}
"""Blur of cast shadows. The sun's half degree softens the shadow of a leaf 100 mm up by 1 mm. [mm]"""


@dataclass(frozen=True)
class Light:
    """Light over a ground grid."""

    sun: np.ndarray
    """Direction to the sun. (3,)"""
    sun_rgb: np.ndarray
    """Irradiance of level ground by the sun. (3,)"""
    sky_rgb: np.ndarray
    """(3,)"""
    grid: Grid
    top: np.ndarray
    """Greatest height on the sun ray that ends in a cell of the plane Z = 0, or ``raster.NOTHING``. [mm]"""
    shadow: np.ndarray
    """Share of the sun that things take from such a ray. (rows, columns)"""
    person: np.ndarray | None
    """Share that the photographer takes."""
    shelter: np.ndarray
    """Share of the sky that plants take from the soil below. (rows, columns)"""
    softness: float
    """Factor on the width of half-shadows."""
    cover: np.ndarray
    """Height of what stands or lies over a cell, or ``raster.NOTHING``. (rows, columns) [mm]"""

    def along_sun(self, points_mm: np.ndarray) -> np.ndarray:
        """Cells where the sun rays through points end. (n, 3) [mm] -> (n, 2)"""
        drift = self.sun[:2] / max(self.sun[2], 1e-3)
        return self.grid.cells(points_mm[..., :2] - points_mm[..., 2:] * drift)

    def sun_reaching(self, points_mm: np.ndarray) -> np.ndarray:
        """Share of the sun that reaches points on leaves, straw or board. (n, 3) [mm] -> (n,)"""
        if not self.sun_rgb.any():
            return np.zeros(len(points_mm), np.float32)
        cells = self.along_sun(points_mm).astype(np.float32)
        z = points_mm[:, 2].astype(np.float32)
        hidden = np.zeros(len(z), np.float32)
        for dx, dy in ((0.45, 0.2), (-0.45, -0.2), (0.2, -0.45), (-0.2, 0.45)):
            over = _sample(self.top, cells + np.array([dx, dy], np.float32), cv2.INTER_NEAREST) - z
            hidden += 0.25 * np.clip((over - 3) / 4, 0, 1)
        if self.person is not None:
            hidden = np.maximum(hidden, _sample(self.person, cells))
        return 1 - hidden

    def covered(self, points_mm: np.ndarray) -> np.ndarray:
        """Share of the directions about straight up in which something is above points. (n, 3) [mm] -> (n,)"""
        z = points_mm[:, 2].astype(np.float32)
        hidden = np.zeros(len(z), np.float32)
        for angle in (0.4, 2.5, 4.6):
            beside = points_mm[:, :2] + 7 * np.array([np.cos(angle), np.sin(angle)])
            over = _sample(self.cover, self.grid.cells(beside).astype(np.float32), cv2.INTER_NEAREST) - z
            hidden += np.clip((over - 3) / 9, 0, 1) / 3
        return hidden


def _sample(field: np.ndarray, cells: np.ndarray, how: int = cv2.INTER_LINEAR) -> np.ndarray:
    n = len(cells)
    wide = 16384  # remap takes no side above 32767
    padded = np.full((-(-n // wide) * wide, 2), -9, np.float32)
    padded[:n] = cells
    x, y = padded[:, 0].reshape(-1, wide), padded[:, 1].reshape(-1, wide)
    return cv2.remap(field, x, y, how, borderMode=cv2.BORDER_REPLICATE).ravel()[:n]


def cast(recipe: LightRecipe, camera: Camera | None, azimuth_deg: float, mesh: Mesh, grid: Grid) -> Light:
    """Light of a recipe with the shadows of a mesh and, if asked for and somebody holds the camera, of them."""
    elevation, azimuth = np.deg2rad([recipe.sun_elevation_deg, recipe.sun_azimuth_deg])
    sun = np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])
    strength, sky = STRENGTH[recipe.kind]
    sky *= recipe.sky
    low = np.clip((35 - recipe.sun_elevation_deg) / 25, 0, 1)  # a low sun is warmer and weaker
    sun_rgb = strength * SUN_RGB * (1 - low * np.array([0.10, 0.22, 0.42]))
    sky_rgb = sky * (CLOUD_RGB if recipe.kind == "overcast" else SKY_RGB)
    drift = sun[:2] / sun[2]
    person = None
    top = np.full(grid.shape, raster.NOTHING, np.float32)
    shadow: np.ndarray = np.zeros(grid.shape, np.float32)
    if strength:
        cells = grid.cells(mesh.corners[..., :2] - mesh.corners[..., 2:] * drift)
        # a triangle's lowest corner, so that it does not shade itself
        top = raster.fill_heights(cells, mesh.corners[..., 2].min(1), grid.shape)
        shadow = cv2.GaussianBlur(
            (top > raster.NOTHING).astype(np.float32),
            (0, 0),
            max(PENUMBRA_MM[recipe.kind] * recipe.softness / grid.cell_mm, 0.6),
        )
        if recipe.photographer_shadow and camera is not None:
            person = _photographer(camera, azimuth_deg, sun, grid)
    cover = raster.fill_heights(grid.cells(mesh.corners[..., :2]), mesh.corners[..., 2].mean(1), grid.shape)
    low_cover = (cover > raster.NOTHING).astype(np.float32) * np.clip(1.2 - cover / 120, 0.3, 1)
    blur = ground_grid.blur
    shelter = 0.42 * blur(low_cover, 6 / grid.cell_mm) + 0.45 * blur(low_cover, 22 / grid.cell_mm)
    return Light(sun, sun_rgb, sky_rgb, grid, top, shadow, person, np.clip(shelter, 0, 0.75), recipe.softness, cover)


def _photographer(camera: Camera, azimuth_deg: float, sun: np.ndarray, grid: Grid) -> np.ndarray:
    """Shadow of a person of 1.75 m who stands behind the camera and holds it in both hands."""
    azimuth = np.deg2rad(azimuth_deg)
    ahead = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    side = np.array([-ahead[1], ahead[0], 0.0])
    up = np.array([0.0, 0.0, 1.0])
    feet = np.r_[camera.position_mm[:2], 0.0] - 380 * ahead
    facing = np.cross(up, np.r_[sun[:2], 0.0])
    facing /= np.linalg.norm(facing) + 1e-12
    mask = np.zeros(grid.shape, np.uint8)

    def drop(points: np.ndarray) -> np.ndarray:
        ground = points[:, :2] - points[:, 2:] * (sun[:2] / sun[2])
        return np.round(grid.cells(ground) * 16).astype(np.int32)

    def blob(at: np.ndarray, half_width: float, half_height: float) -> None:
        angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)[:, None]
        cv2.fillPoly(
            mask,
            [drop(at + np.cos(angle) * facing * half_width + np.sin(angle) * up * half_height)],
            255,
            shift=4,
        )

    def limb(start: np.ndarray, stop: np.ndarray, radius: float) -> None:
        for share in np.linspace(0, 1, 24):
            blob(start + share * (stop - start), radius, radius)

    hip, shoulder = 880 * up, 1400 * up
    for sign in (-1, 1):
        limb(feet + 110 * sign * side + 60 * up, feet + 90 * sign * side + hip, 85)
        limb(feet + 190 * sign * side + shoulder, feet + 240 * sign * side + 1120 * up + 120 * ahead, 52)
        limb(
            feet + 240 * sign * side + 1120 * up + 120 * ahead,
            camera.position_mm + 70 * sign * side - 40 * ahead,
            42,
        )
    limb(feet + hip, feet + 1330 * up, 185)
    limb(feet + 1330 * up, feet + 1560 * up, 70)
    blob(feet + 1630 * up, 88, 120)
    phone = [camera.position_mm + 78 * a * side + 38 * b * up for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    cv2.fillPoly(mask, [drop(np.array(phone))], 255, shift=4)
    return ground_grid.blur(mask.astype(np.float32) / 255, 5.5 / grid.cell_mm)
