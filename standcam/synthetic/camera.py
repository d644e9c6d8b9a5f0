"""A pinhole camera with radial distortion, held over the field.

World: X along the row, Y across it, Z up, in mm; the plane Z = 0 is the soil. Camera axes here are OpenCV's:
x to the right, y down, z forward.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap
from standcam.synthetic.recipe import CameraRecipe

FARTHEST_MM = 8000.0
"""Soil further than this from the camera's foot is left to the haze: at 1.5 m height it is within 11 degrees
of the horizon. [mm]"""


@dataclass(frozen=True)
class Camera:
    """Where the camera is and how it maps the world to pixels."""

    position_mm: np.ndarray
    """(3,)"""
    rotation: np.ndarray
    """World to camera. (3, 3)"""
    focal_px: float
    width_px: int
    height_px: int
    k1: float = 0.0

    @property
    def centre_px(self) -> np.ndarray:
        """Principal point: the picture's middle, pixel centres at integers. (2,)"""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def project(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels of world points and their distance from the camera; NaN for points it cannot see.

        (..., 3) [mm] -> (..., 2) [px], (...) [mm]
        """
        points = np.asarray(points_mm, float)
        seen = (points - self.position_mm) @ self.rotation.T
        depth = seen[..., 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            u = np.where((depth > 1.0)[..., None], seen[..., :2] / depth[..., None], np.nan)
        r2 = (u**2).sum(-1, keepdims=True)
        # beyond the turning point of x(1 + k1 x^2) the model folds back into the picture
        if self.k1 < 0:
            u = np.where(r2 < -1 / (3 * self.k1), u, np.nan)
        return u * (1 + self.k1 * r2) * self.focal_px + self.centre_px, np.linalg.norm(seen, axis=-1)

    def towards(self, points_mm: np.ndarray) -> np.ndarray:
        """Unit vectors from points to the camera. (n, 3) [mm] -> (n, 3)"""
        view = self.position_mm - points_mm
        view /= np.linalg.norm(view, axis=1, keepdims=True)
        return view

    def rays(self, points_px: np.ndarray) -> np.ndarray:
        """World directions of pixels, forward component in the camera 1. (n, 2) [px] -> (n, 3)"""
        u = self.lens.undistort(points_px, self.width_px, self.height_px) - self.centre_px
        return np.c_[u / self.focal_px, np.ones(len(u))] @ self.rotation

    def to_plane(self, points_px: np.ndarray, z_mm: float = 0.0) -> np.ndarray:
        """Where rays of pixels meet the plane at ``z_mm``; NaN from the horizon up. (n, 2) -> (n, 2) [mm]"""
        rays = self.rays(np.asarray(points_px, float).reshape(-1, 2))
        down = rays[:, 2:]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(down < -1e-6, (z_mm - self.position_mm[2]) / down, np.nan)
        return self.position_mm[:2] + rays[:, :2] * scale

    @property
    def lens(self) -> LensProfile:
        """The same lens as the rest of standcam describes it."""
        return LensProfile(self.focal_px / max(self.width_px, self.height_px), k1=self.k1, name="synthetic")

    def footprint(self, steps: int = 24) -> np.ndarray:
        """Outline of the soil seen, cut at ``FARTHEST_MM`` from the camera's foot. (n, 2) [mm]"""
        w, h = self.width_px - 0.5, self.height_px - 0.5
        t = np.linspace(0, 1, steps, endpoint=False)
        edge = np.r_[
            np.c_[-0.5 + t * (w + 0.5), np.full(steps, -0.5)],
            np.c_[np.full(steps, w), -0.5 + t * (h + 0.5)],
            np.c_[w - t * (w + 0.5), np.full(steps, h)],
            np.c_[np.full(steps, -0.5), h - t * (h + 0.5)],
        ]
        rays = self.rays(edge)
        level = np.hypot(rays[:, 0], rays[:, 1])
        reach = np.where(rays[:, 2] < -1e-6, -self.position_mm[2] / np.minimum(rays[:, 2], -1e-6) * level, np.inf)
        reach = np.minimum(reach, FARTHEST_MM)
        return self.position_mm[:2] + rays[:, :2] / np.maximum(level, 1e-12)[:, None] * reach[:, None]

    def ground_map(self) -> GroundMap:
        """The exact map of the plane Z = 0, in cm, with this world's X and Y."""
        K = np.diag([self.focal_px, self.focal_px, 1.0])
        K[:2, 2] = self.centre_px
        R, C = self.rotation, self.position_mm / 10
        px_from_ground = K @ np.c_[R[:, 0], R[:, 1], -R @ C]
        H = np.linalg.inv(px_from_ground)
        return GroundMap(
            H / H[2, 2],
            self.width_px,
            self.height_px,
            method="truth",
            residual_mm=0.0,
            scale_error_pct_per_m=0.0,
            camera_cm=(float(C[0]), float(C[1]), float(C[2])),
            lens=self.lens,
        )


def turned(azimuth_deg: float, tilt_deg: float, roll_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """World to camera of a view that leans ``tilt_deg`` out of straight down towards an azimuth, and that direction."""
    azimuth, tilt, roll = np.deg2rad([azimuth_deg, tilt_deg, roll_deg])
    ahead = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    up_world = np.array([0.0, 0.0, 1.0])
    forward = np.sin(tilt) * ahead - np.cos(tilt) * up_world
    up = np.cos(tilt) * ahead + np.sin(tilt) * up_world
    right = np.cross(forward, up)
    right, up = np.cos(roll) * right + np.sin(roll) * up, np.cos(roll) * up - np.sin(roll) * right
    return np.stack([right, -up, forward]), ahead


def place_camera(recipe: CameraRecipe) -> Camera:
    """Camera of a recipe: looks at the aimed ground point from its height, tilt and azimuth."""
    rotation, ahead = turned(recipe.azimuth_deg, recipe.tilt_deg, recipe.roll_deg)
    up_world, tilt = np.array([0.0, 0.0, 1.0]), np.deg2rad(recipe.tilt_deg)
    foot = np.array([recipe.aim_x_mm, recipe.aim_y_mm, 0.0]) - recipe.height_mm * np.tan(tilt) * ahead
    diagonal = np.hypot(recipe.width_px, recipe.height_px)
    return Camera(
        position_mm=foot + recipe.height_mm * up_world,
        rotation=rotation,
        focal_px=float(recipe.focal_length_35mm / np.hypot(36.0, 24.0) * diagonal),
        width_px=recipe.width_px,
        height_px=recipe.height_px,
        k1=recipe.k1,
    )
