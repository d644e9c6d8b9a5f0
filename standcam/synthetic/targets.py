"""Scale marks: the board with fiducial markers, and the stick with dark ends."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.ground.geometry import BoardGeometry, default_board
from standcam.synthetic.mesh import BOARD, STICK, Mesh, join, sheet
from standcam.synthetic.recipe import TargetRecipe

TEXTURE_PX_PER_MM = 3.6
"""A 50 mm marker of six cells is 180 px then: whole pixels a cell. [px/mm]"""
PAPER, INK = 0.80, 0.035
"""Linear reflectance of the white and the black of a board."""


@dataclass(frozen=True)
class Target:
    """A scale mark that lies in the field."""

    recipe: TargetRecipe
    mesh: Mesh
    texture: np.ndarray | None
    """Linear reflectance of a board's face. (h, w)"""
    outline_mm: np.ndarray
    """Corners in the world. (4, 3) [mm]"""
    markers: dict[int, np.ndarray]
    """Corners of a board's markers in the world, OpenCV's order, missing ones left out. {id: (4, 3) [mm]}"""
    ends_mm: np.ndarray
    """Ends of a stick in the world. (2, 3) [mm], empty for a board"""

    def covers(self, points_mm: np.ndarray) -> np.ndarray:
        """Which ground points lie under the mark. (n, 2) [mm] -> (n,)"""
        corners = self.outline_mm[:, :2]
        edge = np.roll(corners, -1, axis=0) - corners
        v = np.asarray(points_mm, float).reshape(-1, 1, 2) - corners
        side = edge[:, 0] * v[..., 1] - edge[:, 1] * v[..., 0]
        return (side <= 0).all(1) | (side >= 0).all(1)


def make_target(recipe: TargetRecipe, rng: np.random.Generator) -> Target | None:
    """The scale mark of a recipe, None where there is none."""
    if recipe.kind == "none":
        return None
    return _board(recipe, default_board(), rng) if recipe.kind == "board" else _stick(recipe)


def _to_world(recipe: TargetRecipe, face_mm: np.ndarray, half_height_mm: float = 0.0) -> np.ndarray:
    """Points on the face, x right and y down as printed, to the world. (..., 2) -> (..., 3) [mm]

    A tilted board turns about its lower edge, ``half_height_mm`` below the middle.
    """
    angle, tilt = np.deg2rad([recipe.angle_deg, recipe.tilt_deg])
    x = face_mm[..., 0]
    up = half_height_mm - face_mm[..., 1]
    y = up * np.cos(tilt) - half_height_mm
    return np.stack(
        [
            recipe.x_mm + np.cos(angle) * x - np.sin(angle) * y,
            recipe.y_mm + np.sin(angle) * x + np.cos(angle) * y,
            recipe.lift_mm + up * np.sin(tilt),
        ],
        axis=-1,
    )


def _board(recipe: TargetRecipe, board: BoardGeometry, rng: np.random.Generator) -> Target:
    scale = TEXTURE_PX_PER_MM
    width, height = round(board.width_mm * scale), round(board.height_mm * scale)
    face = np.full((height, width), PAPER, np.float32)
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    markers = {}
    for marker in board.markers:
        if marker.id in recipe.missing:
            continue
        side = round(marker.side_mm * scale)
        ink = cv2.aruco.generateImageMarker(family, marker.id, side)
        left = round((marker.centre_mm[0] + board.width_mm / 2) * scale - side / 2)
        top = round((marker.centre_mm[1] + board.height_mm / 2) * scale - side / 2)
        face[top : top + side, left : left + side] = np.where(ink > 0, PAPER, INK)
        markers[marker.id] = _to_world(recipe, board.corners_mm(marker.id), board.height_mm / 2)
    face *= 1 + 0.012 * cv2.resize(rng.standard_normal((9, 12)).astype(np.float32), (width, height))
    _soil_specks(face, rng)
    for id in recipe.dirty:
        if id in board.ids:
            _mud(
                face,
                (np.array(board.marker(id).centre_mm) + np.array([board.width_mm, board.height_mm]) / 2) * scale,
                rng,
            )
    x = np.linspace(-board.width_mm / 2, board.width_mm / 2, 13)
    y = np.linspace(-board.height_mm / 2, board.height_mm / 2, 10)
    grid = _to_world(recipe, np.stack(np.meshgrid(x, y), axis=-1), board.height_mm / 2)
    mesh = sheet(grid, np.full(3, PAPER), 0, BOARD)
    return Target(
        recipe,
        mesh,
        face,
        _to_world(recipe, board.outline_mm(), board.height_mm / 2),
        markers,
        np.empty((0, 3)),
    )


def _soil_specks(face: np.ndarray, rng: np.random.Generator) -> None:
    h, w = face.shape
    for _ in range(rng.poisson(25)):
        centre = (int(rng.integers(w)), int(rng.integers(h)))
        axes = (int(rng.integers(1, 4)), int(rng.integers(1, 3)))
        cv2.ellipse(face, centre, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.1, 0.5)), -1)


def _mud(face: np.ndarray, centre: np.ndarray, rng: np.random.Generator) -> None:
    cover = np.zeros_like(face)
    for _ in range(7):
        at = centre + rng.normal(0, 45, 2)
        axes = tuple(int(a) for a in rng.uniform(15, 60, 2))
        cv2.ellipse(cover, tuple(int(a) for a in at), axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    cover = cv2.GaussianBlur(cover, (0, 0), 3)
    face[:] = face * (1 - cover) + 0.16 * cover


def _stick(recipe: TargetRecipe) -> Target:
    half_length, half_width = recipe.stick_length_mm / 2, recipe.stick_width_mm / 2
    ends = recipe.stick_end_mm
    breaks = [-half_length, -half_length + ends, half_length - ends, half_length]
    meshes = []
    s = np.linspace(-1, 1, 5)
    for start, stop, tone in zip(breaks, breaks[1:], (INK, PAPER * 0.95, INK), strict=False):
        x = np.linspace(start, stop, max(3, int((stop - start) / 40) + 1))
        face = np.stack(np.meshgrid(s * half_width, x), axis=-1)[..., ::-1]
        points = _to_world(recipe, face)
        points[..., 2] += half_width * 0.5 * np.sqrt(np.clip(1 - s**2, 0, 1))
        meshes.append(sheet(points, np.full(3, tone), 0, STICK))
    corners = np.array(
        [
            [-half_length, -half_width],
            [half_length, -half_width],
            [half_length, half_width],
            [-half_length, half_width],
        ]
    )
    axis = _to_world(recipe, np.array([[-half_length, 0.0], [half_length, 0.0]]))
    return Target(recipe, join(meshes), None, _to_world(recipe, corners), {}, axis)
