"""What the picture looks like around a ground point, in a frame that perspective cannot turn.

A stem is seen from wherever the camera stood: everything above the soil leans away from the camera's foot. So the
surroundings of a point are sampled on rings in ground millimetres, turned so that the first spoke points away from
the foot. Tilt, place in the picture and rotation of the phone then change the description little, and what does
change (how steeply the view falls there) is given along with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.rows.line import RowLine
from standcam.vegetation.segment import SCORE_ZERO, Vegetation

RINGS_CM = (0.4, 0.8, 1.4, 2.2, 3.4, 5.0, 7.5)
SPOKES = 12
LIGHT_RINGS = 4
"""Brightness is sampled on the inner rings only: the pale whorl is small."""
COARSE_FROM_CM = 2.2
"""Rings from here out are read from a smoothed map, so that samples do not fall between leaves."""
ROW_FACTS = 5
ROW_AT = len(RINGS_CM) * SPOKES + 1 + LIGHT_RINGS * SPOKES + 1
"""Where the facts about the row begin in a descriptor."""
SIZE = ROW_AT + ROW_FACTS + 2


@dataclass(frozen=True)
class View:
    """Where the camera stood, known or assumed."""

    foot_cm: tuple[float, float]
    height_cm: float


def view_of(ground: GroundMap) -> View:
    """The camera's foot and height; assumed under the picture's middle where the calibration could not tell.

    The assumed height is that of a phone's main camera (longer side of the picture 1.30 times the distance, 26 mm
    equivalent on 4:3) that shows the ground at the map's scale.
    """
    if ground.camera_cm is not None:
        x, y, z = ground.camera_cm
        return View((x, y), z)
    middle = np.array([[(ground.width_px - 1) / 2, (ground.height_px - 1) / 2]])
    x, y = ground.to_ground(middle)[0]
    longer = max(ground.width_px, ground.height_px) * float(ground.cm_per_px(middle)[0])
    return View((float(x), float(y)), longer / 1.33)


@dataclass(frozen=True)
class Maps:
    """The maps a descriptor reads: fine and smoothed greenness, and light."""

    fine: np.ndarray
    coarse: np.ndarray
    light: np.ndarray


def maps_of(vegetation: Vegetation) -> Maps:
    """Prepare the maps once a photo."""
    # half resolution is plenty for rings beyond 2 cm and quarters the blur
    coarse = cv2.resize(vegetation.score, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return Maps(vegetation.score, cv2.blur(coarse, (3, 3)), vegetation.light)


def frames(points_cm: np.ndarray, view: View) -> np.ndarray:
    """Local frames: first axis away from the camera's foot, second a quarter turn left. (n, 2) -> (n, 2, 2)"""
    away = points_cm - np.array(view.foot_cm)
    length = np.linalg.norm(away, axis=1, keepdims=True)
    e = np.where(length > 1e-6, away / np.maximum(length, 1e-6), [1.0, 0.0])
    return np.stack([e, np.c_[-e[:, 1], e[:, 0]]], axis=1)


def describe(
    points_cm: np.ndarray, vegetation: Vegetation, maps: Maps, ground: GroundMap, view: View, row: RowLine | None
) -> np.ndarray:
    """Descriptors of ground points.

    Parameters
    ----------
    points_cm : (n, 2) array
        Ground points. [cm]
    vegetation, maps : Vegetation, Maps
    ground : GroundMap
    view : View
    row : RowLine or None
        The row the points are looked at for: its direction and distance are part of the description. None while
        no row is known; those facts are zero then, as no row could make them.

    Returns
    -------
    (n, SIZE) float32 array
    """
    points = np.asarray(points_cm, float).reshape(-1, 2)
    n = len(points)
    local = frames(points, view)
    centre = vegetation.to_work(ground.to_pixels(points)).astype(np.float32)
    per_cm = _work_per_cm(points, ground, vegetation.factor)
    angle = np.arange(SPOKES) * (2 * np.pi / SPOKES)
    spokes = np.c_[np.cos(angle), np.sin(angle)]
    pattern = np.concatenate([[[0.0, 0.0]], *[r * spokes for r in RINGS_CM]])  # (m, 2) in the local frame
    # local frame -> ground -> working pixels, as one small matrix a point
    to_px = np.einsum("nij,nkj->nik", per_cm, local).astype(np.float32)
    place = centre[:, None, :] + np.einsum("nij,mj->nmi", to_px, pattern.astype(np.float32))
    inner = 1 + sum(r < COARSE_FROM_CM for r in RINGS_CM) * SPOKES
    greenness = np.empty((n, pattern.shape[0]), np.float32)
    greenness[:, :inner] = _read(maps.fine, place[:, :inner])
    greenness[:, inner:] = _read(maps.coarse, (place[:, inner:] + 0.5) / 2 - 0.5)
    greenness = np.clip((greenness - SCORE_ZERO) / 64, -1.0, 1.0)
    lit = 1 + LIGHT_RINGS * SPOKES
    light = np.log(_read(maps.light, place[:, :lit]).astype(np.float32) + 8)
    plant = (greenness[:, :lit] > 0).astype(np.float32)
    usual = (light * plant).sum(1, keepdims=True) / np.maximum(plant.sum(1, keepdims=True), 1)
    relative = np.clip(light - usual, -1.5, 1.5)
    steep = np.linalg.norm(points - np.array(view.foot_cm), axis=1) / view.height_cm
    mm_per_px = 10 / np.sqrt(np.abs(np.linalg.det(per_cm)))
    about_row = np.zeros((n, ROW_FACTS)) if row is None else _row_facts(points, local, row)
    return np.c_[greenness, relative, about_row, steep, np.log(mm_per_px)].astype(np.float32)


def _row_facts(points: np.ndarray, local: np.ndarray, row: RowLine) -> np.ndarray:
    """Way to the row line, distance and the row's heading, seen in the local frames. (n, ROW_FACTS)"""
    d, off = np.asarray(row.direction), row.offset(points)
    to_row = -off[:, None] * np.array([d[1], -d[0]])
    heading = np.einsum("nij,j->ni", local, d)
    return np.c_[
        np.clip(np.einsum("nij,nj->ni", local, to_row) / 3, -3, 3),
        np.clip(np.abs(off) / 3, 0, 3),
        heading[:, 0] ** 2 - heading[:, 1] ** 2,  # doubled angle: a row has no forward end
        2 * heading[:, 0] * heading[:, 1],
    ]


def mirror_order() -> tuple[np.ndarray, np.ndarray]:
    """Index and sign that turn a descriptor into that of the mirrored scene (left and right of the view swapped)."""
    back = (-np.arange(SPOKES)) % SPOKES
    rings = [0, *[1 + i * SPOKES + j for i in range(len(RINGS_CM)) for j in back]]
    base = 1 + len(RINGS_CM) * SPOKES
    lights = [base, *[base + 1 + i * SPOKES + j for i in range(LIGHT_RINGS) for j in back]]
    order = np.array([*rings, *lights, *range(ROW_AT, SIZE)])
    sign = np.ones(SIZE, np.float32)
    sign[[ROW_AT + 1, ROW_AT + 4]] = -1
    return order, sign


def _work_per_cm(points: np.ndarray, ground: GroundMap, factor: int) -> np.ndarray:
    """Working pixels per cm of ground. (n, 2, 2)"""
    step = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    px = ground.to_pixels((points[:, None] + step).reshape(-1, 2)).reshape(-1, 4, 2) / factor
    return np.stack([px[:, 0] - px[:, 1], px[:, 2] - px[:, 3]], axis=2)


def _read(image: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Nearest pixel at working places; places outside give the edge's neighbour. (n, m, 2) -> (n, m)"""
    h, w = image.shape
    index = np.nan_to_num(place, nan=-1.0) + np.float32(0.5)
    x = np.clip(index[..., 0], 0, w - 1).astype(np.int32)
    y = np.clip(index[..., 1], 0, h - 1).astype(np.int32)
    return image.ravel()[y * w + x]
