"""A camera that looks down on the plane of the soil, given by place, height, bearing and two small tilts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap


@dataclass(frozen=True)
class Pose:
    """Where a camera is and how it looks; ground frame with x east, y north, z up."""

    x_cm: float
    y_cm: float
    height_cm: float
    yaw_rad: float = 0.0
    """Bearing of the picture's upper edge, clockwise from north."""
    down_rad: float = 0.0
    """Tilt of the line of sight from straight down towards the picture's lower edge."""
    right_rad: float = 0.0
    """Tilt towards its right edge."""

    @property
    def array(self) -> np.ndarray:
        """The six numbers. (6,)"""
        return np.array([self.x_cm, self.y_cm, self.height_cm, self.yaw_rad, self.down_rad, self.right_rad])


def rotations(yaw: np.ndarray, down: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Ground axes to camera axes (x right, y down, z forward). (n,) [rad] each -> (n, 3, 3)"""
    zero, one = np.zeros_like(yaw), np.ones_like(yaw)
    c, s = np.cos(yaw), np.sin(yaw)
    level = np.stack([np.stack([c, -s, zero], 1), np.stack([-s, -c, zero], 1), np.stack([zero, zero, -one], 1)], 1)
    c, s = np.cos(down), np.sin(down)
    about_x = np.stack([np.stack([one, zero, zero], 1), np.stack([zero, c, -s], 1), np.stack([zero, s, c], 1)], 1)
    c, s = np.cos(right), np.sin(right)
    about_y = np.stack([np.stack([c, zero, -s], 1), np.stack([zero, one, zero], 1), np.stack([s, zero, c], 1)], 1)
    return about_x @ about_y @ level


def to_ground(poses: np.ndarray, rays: np.ndarray) -> np.ndarray:
    """Where sight lines meet the soil. Poses (n, 6), rays in camera axes (n, 3) -> (n, 2) [cm]"""
    ahead = np.einsum("nji,nj->ni", rotations(*poses[:, 3:].T), rays)
    return poses[:, :2] - ahead[:, :2] * (poses[:, 2] / ahead[:, 2])[:, None]


def to_rays(poses: np.ndarray, points_cm: np.ndarray) -> np.ndarray:
    """Where points of the soil are seen: camera axes divided by depth. Poses (n, 6), (n, 2) [cm] -> (n, 2)"""
    towards = np.concatenate([points_cm - poses[:, :2], -poses[:, 2:3]], axis=1)
    seen = np.einsum("nij,nj->ni", rotations(*poses[:, 3:].T), towards)
    return seen[:, :2] / seen[:, 2:]


def overhead_map(
    pose: Pose, K: np.ndarray, width_px: int, height_px: int, method: str, lens: LensProfile | None, **fields: object
) -> GroundMap:
    """Ground map of a frame with this pose and camera matrix."""
    R = rotations(*(np.array([v]) for v in (pose.yaw_rad, pose.down_rad, pose.right_rad)))[0]
    centre = np.array([pose.x_cm, pose.y_cm, pose.height_cm])
    px_from_ground = K @ np.column_stack([R[:, 0], R[:, 1], -R @ centre])
    H = np.linalg.inv(px_from_ground)
    return GroundMap(
        H / np.abs(H[2]).max(),
        width_px,
        height_px,
        method,
        camera_cm=(float(centre[0]), float(centre[1]), float(centre[2])),
        lens=lens,
        **fields,  # type: ignore[arg-type]
    )
