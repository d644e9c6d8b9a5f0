"""Plant pixels near a row line, thinned: the points that get asked where their stem is."""

from __future__ import annotations

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.rows.line import RowLine
from standcam.vegetation.segment import Vegetation


def plant_points(vegetation: Vegetation, step_px: int) -> np.ndarray:
    """Mask pixels on a square lattice, and the greenest pixel of every lattice cell that would be missed.

    (n, 2) [working px]
    """
    mask = vegetation.mask
    h, w = (mask.shape[0] // step_px) * step_px, (mask.shape[1] // step_px) * step_px
    # the greenest mask pixel of each cell: no plant is lost between lattice points, and edges are avoided
    masked = np.where(mask[:h, :w], vegetation.score[:h, :w], 0)
    cells = masked.reshape(h // step_px, step_px, w // step_px, step_px)
    best = cells.max(axis=(1, 3))
    rows, cols = np.nonzero(best)
    block = cells[rows, :, cols, :].reshape(len(rows), -1)
    inner = block.argmax(axis=1)
    return np.c_[cols * step_px + inner % step_px, rows * step_px + inner // step_px].astype(float)


def near_row(points_cm: np.ndarray, row: RowLine, half_width_cm: float, slack_cm: float = 5.0) -> np.ndarray:
    """Which ground points lie along the measured stretch of a row, within half a width of its line. (n,) bool"""
    u, v = row.position(points_cm), row.offset(points_cm)
    return (np.abs(v) <= half_width_cm) & (u >= row.from_cm - slack_cm) & (u <= row.to_cm + slack_cm)


def ground_points(points_work: np.ndarray, vegetation: Vegetation, ground: GroundMap) -> np.ndarray:
    """Ground places of working pixels. (n, 2) [cm]"""
    return ground.to_ground(vegetation.to_photo(points_work))


def region_areas_cm2(vegetation: Vegetation, ground: GroundMap) -> tuple[np.ndarray, np.ndarray]:
    """Label map of connected plant regions and the ground area of each. (h, w) int32, (count,) [cm²]"""
    count, labels, stats, middles = cv2.connectedComponentsWithStats(vegetation.mask.astype(np.uint8), connectivity=8)
    per_px = ground.cm_per_px(vegetation.to_photo(middles)) * vegetation.factor
    areas = np.where(np.isfinite(per_px), stats[:, cv2.CC_STAT_AREA] * per_px**2, 0.0)
    areas[:1] = 0
    return labels, areas
