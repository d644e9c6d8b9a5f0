"""Single fiducial markers: read, checked against their pattern, looked for at a known place."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from standcam.ground.corners import edge_corners

MATCH = 0.6
"""Least correlation of a marker's place in the photo with the known pattern, for one read anywhere."""
MATCH_EXPECTED = 0.5
"""The same for one looked for where the board says it must be: a leaf may cross it. Places on bare soil and
among plants seldom reach it (1 in 192 tried), and edges are asked for besides. Being mostly border, it does
not tell one id from another: reading and the board's geometry do that."""

ANY_STEP, PLAIN_STEP = 7.0, 14.0
"""How much darker than around it a marker's black must be: where any is looked for, as OpenCV does by default, and
where plain ones will do. Soil has several times as many edges of the smaller step, and following them is what a look
costs. Plain is wrong for boards whose white is less than some 30 levels above their black. [grey levels]"""


@dataclass(frozen=True)
class Reading:
    """One marker as read."""

    dictionary: str
    id: int
    quad: np.ndarray
    """Corners in OpenCV's order. (4, 2) [px]"""
    correlation: float = float("nan")

    @property
    def side_px(self) -> float:
        """Root of the area [px]."""
        return side_of(self.quad)


class Greys:
    """Grey copies of a photo at halved sizes, each made when first asked for."""

    def __init__(self, rgb: np.ndarray, half: Callable[[], np.ndarray] | None = None) -> None:
        """Keep the photo (H, W, 3), uint8, and where to have it at half its size (H // 2, W // 2, 3)."""
        self._rgb = rgb
        self._half = half
        self._levels: dict[int, np.ndarray] = {}

    def __getitem__(self, level: int) -> np.ndarray:
        """The photo at 1 / 2**level of its size. (H // 2**level, W // 2**level), uint8."""
        if level not in self._levels:
            if level == 0:
                made = cv2.cvtColor(self._rgb, cv2.COLOR_RGB2GRAY)
            elif level == 1 and self._half is not None:  # others need it too: the whole is not gone through again
                made = cv2.cvtColor(self._half(), cv2.COLOR_RGB2GRAY)
            else:
                last = self[level - 1]
                h, w = last.shape[0] // 2, last.shape[1] // 2
                made = cv2.resize(last[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
            self._levels[level] = made
        return self._levels[level]

    def crop(self, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
        """Part of the photo at full size, within the picture [px]."""
        if 0 in self._levels:
            return self._levels[0][y0:y1, x0:x1]
        return cv2.cvtColor(self._rgb[y0:y1, x0:x1], cv2.COLOR_RGB2GRAY)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the photo [px]."""
        return self._rgb.shape[:2]

    def level(self, side_px: int) -> int:
        """The level whose longer side comes nearest to ``side_px`` from above, or a little under."""
        return max(0, int(np.floor(np.log2(max(max(self.shape) / side_px, 1.0)) + 0.35)))


def side_of(quad: np.ndarray) -> float:
    """Side of a square of the same area as the quadrangle [px]."""
    # half the cross product of the diagonals
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = quad.tolist()
    return math.sqrt(0.5 * abs((cx - ax) * (dy - by) - (cy - ay) * (dx - bx)))


@lru_cache(maxsize=64)
def _detectors(
    dictionary: str, windows: tuple[int, ...], lenient: bool, step: float = ANY_STEP
) -> list[cv2.aruco.ArucoDetector]:
    detectors = []
    for window in windows:
        p = cv2.aruco.DetectorParameters()
        p.adaptiveThreshConstant = step
        p.adaptiveThreshWinSizeMin = p.adaptiveThreshWinSizeMax = window
        p.minMarkerPerimeterRate = 0.03 if lenient else 0.05  # markers of 12 px in the quick look
        if lenient:
            p.errorCorrectionRate = 1.0
            p.maxErroneousBitsInBorderRate = 0.5
            p.polygonalApproxAccuracyRate = 0.06
        detectors.append(cv2.aruco.ArucoDetector(_dictionary(dictionary), p))
    return detectors


@lru_cache(maxsize=16)
def _dictionary(name: str) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


@lru_cache(maxsize=256)
def pattern(dictionary: str, id: int) -> np.ndarray:
    """Cells of a marker with its black border and one white cell around, 1 white, 0 black (n + 4, n + 4)."""
    family = _dictionary(dictionary)
    n = family.markerSize + 2
    bits = cv2.aruco.generateImageMarker(family, id, n) > 127
    return np.pad(bits.astype(float), 1, constant_values=1.0)


def read_markers(
    greys: Greys, dictionary: str, level: int, windows: tuple[int, ...], lenient: bool, step: float = ANY_STEP
) -> list[Reading]:
    """Markers of a family in the whole picture, each place and id once, in full-size pixels.

    Their black is darker by ``step`` grey levels than the mean of the window about it.
    """
    out: list[Reading] = []
    for detector in _detectors(dictionary, windows, lenient, step):
        corners, ids, _ = detector.detectMarkers(greys[level])
        for quad, id in zip(corners, [] if ids is None else ids.ravel(), strict=True):
            # pixel centres at integers: a halved pixel c lies at (c + 0.5) * 2 - 0.5
            add_reading(out, Reading(dictionary, int(id), (quad[0].astype(float) + 0.5) * 2**level - 0.5))
    return out


def same_place(a: Reading, b: Reading) -> bool:
    """Whether two readings lie where there is room for one marker only."""
    return bool(np.linalg.norm(a.quad.mean(0) - b.quad.mean(0)) <= a.side_px / 2)


def add_reading(readings: list[Reading], new: Reading) -> None:
    """Add a reading unless the same marker was already read at that place."""
    for old in readings:
        if same_place(new, old) and (old.dictionary, old.id) == (new.dictionary, new.id):
            return
    readings.append(new)


def correlation(greys: Greys, quad: np.ndarray, dictionary: str, id: int) -> float:
    """Correlation of a place in the photo with a marker's cells, free of level, contrast and slope."""
    cells = pattern(dictionary, id)
    n, per = len(cells), 4
    grey, quad = _around(greys, quad, 0.4)
    if grey is None:
        return -1.0
    patch = _warp(grey, quad, n, per, 0)
    means = patch.reshape(n, per, n, per)[:, 1:3, :, 1:3].mean((1, 3)).ravel()
    flat = _flattener(n)
    seen, known = flat @ means, flat @ cells.ravel()
    return float(seen @ known / max(np.linalg.norm(seen) * np.linalg.norm(known), 1e-9))


@lru_cache(maxsize=8)
def _flattener(n: int) -> np.ndarray:
    """Projector that takes level and slope out of an n x n field (n², n²)."""
    y, x = np.mgrid[:n, :n]
    base = np.linalg.qr(np.column_stack([np.ones(n * n), x.ravel(), y.ravel()]))[0]
    return np.eye(n * n) - base @ base.T


def _around(greys: Greys, quad: np.ndarray, margin: float) -> tuple[np.ndarray | None, np.ndarray]:
    """Cut-out of the photo around a marker, ``margin`` sides wider, and the corners in it.

    None when under three quarters of the marker are in the picture.
    """
    h, w = greys.shape
    edge = margin * side_of(quad)
    low, high = quad.min(0), quad.max(0)
    inside = np.clip(np.minimum(high, [w - 1, h - 1]) - np.maximum(low, 0), 0, None)
    if not np.isfinite(quad).all() or inside.prod() < 0.75 * max((high - low).prod(), 1e-9):
        return None, quad
    if not cv2.isContourConvex(quad.astype(np.float32)) or edge == 0:
        return None, quad
    x0, y0 = np.clip(np.floor(low - edge).astype(int), 0, [w, h])
    x1, y1 = np.clip(np.ceil(high + edge).astype(int) + 1, 0, [w, h])
    return greys.crop(x0, y0, x1, y1), quad - [x0, y0]


def _warp(grey: np.ndarray, quad: np.ndarray, n: int, per: int, margin: int) -> np.ndarray:
    """A marker with ``margin`` further cells around its white cell, upright, at ``per`` pixels a cell."""
    inner = (np.array([[1.0, 1], [n - 1, 1], [n - 1, n - 1], [1, n - 1]]) + margin) * per - 0.5
    M = cv2.getPerspectiveTransform(inner.astype(np.float32), quad.astype(np.float32))
    size = (n + 2 * margin) * per
    return cv2.warpPerspective(
        grey, M, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def refine(greys: Greys, quad: np.ndarray, dictionary: str) -> tuple[np.ndarray, np.ndarray]:
    """Corners to sub-pixel at full resolution (4, 2) [px], and trust in each (4,)."""
    cells = _dictionary(dictionary).markerSize + 2
    grey, local = _around(greys, quad, 0.4)
    if grey is None:
        return quad, np.full(4, 0.02)
    offset = quad[0] - local[0]
    half = int(np.clip(0.7 * side_of(quad) / cells, 2, 12))
    h, w = grey.shape
    rough = local
    if (local > half + 1).all() and (local < np.array([w, h]) - half - 2).all():
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 20, 0.02)
        points = np.ascontiguousarray(local.reshape(-1, 1, 2).astype(np.float32))
        moved = cv2.cornerSubPix(grey, points, (half, half), (-1, -1), criteria).reshape(-1, 2).astype(float)
        rough = np.where(np.linalg.norm(moved - local, axis=1, keepdims=True) < half, moved, local)
    sharp, weights = edge_corners(grey, rough, cells)
    # a corner without both its edges keeps its rough place and little say
    return np.where(weights[:, None] > 0, sharp, rough) + offset, np.maximum(weights, 0.02)


def seek(greys: Greys, expected: np.ndarray, dictionary: str, id: int, reach_px: float) -> Reading | None:
    """Look for one marker near the corners where it is expected.

    First among all dark quadrangles there, found with several threshold windows, whether their bits could be
    read or not; then by sliding the known pattern over the upright patch.

    Returns
    -------
    Reading or None
        None when nothing there correlates with the pattern.
    """
    side = side_of(expected)
    grey, local = _around(greys, expected, reach_px / max(side, 1e-9) + 0.3)
    if grey is None or side < 8:
        return None
    offset = expected[0] - local[0]
    up = 2 if side < 50 else 1
    larger = cv2.resize(grey, None, fx=up, fy=up, interpolation=cv2.INTER_CUBIC) if up > 1 else grey
    windows = tuple(int(f * side * up) // 2 * 2 + 3 for f in (0.15, 0.4, 1.0))
    best: Reading | None = None
    for detector in _detectors(dictionary, windows, True):
        corners, _, rejected = detector.detectMarkers(larger)
        for found in [*corners, *rejected]:
            quad = (found.reshape(-1, 2).astype(float) + 0.5) / up - 0.5
            if len(quad) != 4 or not 0.6 < side_of(quad) / side < 1.6:
                continue
            # the expected turn is known, so the bits need not tell it
            quad = min((np.roll(quad, k, axis=0) for k in range(4)), key=lambda q: np.abs(q - local).sum())
            if np.linalg.norm(quad - local, axis=1).max() > reach_px:
                continue
            match = correlation(greys, quad + offset, dictionary, id)
            if match >= MATCH_EXPECTED and (best is None or match > best.correlation):
                best = Reading(dictionary, id, quad + offset, match)
        if best is not None and best.correlation > 0.8:
            return best
    return best or _slide(greys, expected, dictionary, id, reach_px)


def _slide(greys: Greys, expected: np.ndarray, dictionary: str, id: int, reach_px: float) -> Reading | None:
    cells = pattern(dictionary, id)
    n, per = len(cells), 6
    side = side_of(expected)
    margin = int(np.ceil(reach_px / side * (n - 2)))
    grey, local = _around(greys, expected, reach_px / side + 0.3)
    if grey is None:
        return None
    patch = cv2.GaussianBlur(_warp(grey, local, n, per, margin), (0, 0), per / 4)
    template = cv2.GaussianBlur((np.kron(cells, np.ones((per, per))) * 255).astype(np.uint8), (0, 0), per / 4)
    score = cv2.matchTemplate(patch, template, cv2.TM_CCOEFF_NORMED)
    _, _, _, (x, y) = cv2.minMaxLoc(score)
    inner = np.array([[1.0, 1], [n - 1, 1], [n - 1, n - 1], [1, n - 1]])
    here = (inner + margin) * per - 0.5
    M = cv2.getPerspectiveTransform(here.astype(np.float32), expected.astype(np.float32))
    quad = project(M, inner * per - 0.5 + [x, y])
    match = correlation(greys, quad, dictionary, id)
    return Reading(dictionary, id, quad, match) if match >= MATCH_EXPECTED else None


def affine(mm: np.ndarray, px: np.ndarray) -> np.ndarray | None:
    """Affine map by least squares as a homography: steadier than eight unknowns from one marker (3, 3)."""
    A = np.column_stack([mm, np.ones(len(mm))])
    solution = np.linalg.lstsq(A, px, rcond=None)[0]
    return np.r_[solution.T, [[0, 0, 1.0]]]


def project(H: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points through a homography. (n, 2) -> (n, 2)."""
    out = np.column_stack([points, np.ones(len(points))]) @ H.T
    return out[:, :2] / out[:, 2:]
