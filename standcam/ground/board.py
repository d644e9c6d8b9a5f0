"""Finding ground boards in a photo: markers read, false ones thrown out, missing ones looked for.

A board in a field is dirty, shaded and crossed by leaves. Three things help: several ways of looking, from quick to
thorough; the known geometry of the board, which false readings do not fit; and the known pattern of each marker,
which is looked for where the board says it must be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from standcam import flags
from standcam.errors import BoardNotFound
from standcam.ground.corners import edge_corners
from standcam.ground.focal import Focal, focal_of
from standcam.ground.geometry import BoardGeometry, default_board, read_board
from standcam.ground.map import GroundMap
from standcam.ground.lens import LensProfile
from standcam.ground.pose import PlanePoints, fit_plane
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

QUICK_SIDE_PX = 1100
"""Longer side of the picture of the first look: markers of the built-in board, photographed from standing height,
keep 25 px there. [px]"""
FULL_SIDE_PX = 2600
"""Longer side of the most thorough look at the whole picture. [px]"""
MATCH = 0.55
"""Least correlation of a marker's place in the photo with the known pattern."""


@dataclass(frozen=True)
class BoardView:
    """One board as seen in the photo."""

    geometry: BoardGeometry
    corners_px: dict[int, np.ndarray]
    """Marker id to corners in OpenCV's order. (4, 2) [px]"""
    correlation: dict[int, float]
    """How well each marker's place correlates with its known pattern."""
    weights: dict[int, np.ndarray]
    """Trust in each corner, 0 to 1. (4,)"""

    def points(self, lens: LensProfile | None, width_px: int, height_px: int) -> PlanePoints:
        """All corners, for the fit of the plane."""
        ids = sorted(self.corners_px)
        px = np.concatenate([self.corners_px[i] for i in ids])
        if lens is not None:
            px = lens.undistort(px, width_px, height_px)
        return PlanePoints(
            np.concatenate([self.geometry.corners_mm(i) for i in ids]),
            px,
            np.concatenate([self.weights[i] for i in ids]),
            np.tile([[-1.0, -1], [1, -1], [1, 1], [-1, 1]], (len(ids), 1)),
        )


class Greys:
    """Grey copies of a photo at halved sizes, each made when first asked for."""

    def __init__(self, rgb: np.ndarray) -> None:
        self._levels = [cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)]

    def __getitem__(self, level: int) -> np.ndarray:
        while len(self._levels) <= level:
            last = self._levels[-1]
            h, w = last.shape[0] // 2 * 2, last.shape[1] // 2 * 2
            self._levels.append(
                cv2.resize(last[:h, :w], (w // 2, h // 2), interpolation=cv2.INTER_AREA)
            )
        return self._levels[level]

    def level(self, side_px: int) -> int:
        """The level whose longer side comes nearest to ``side_px`` from above, or the largest there is."""
        ratio = max(self._levels[0].shape) / side_px
        return max(0, int(np.floor(np.log2(max(ratio, 1.0)) + 0.35)))


def find_boards(greys: Greys, geometries: Sequence[BoardGeometry]) -> list[BoardView]:
    """Boards seen in the photo, the one with most markers first; empty when no marker is found.

    Looks end as soon as a board is complete; after the last look, missing markers are looked for where the found
    ones say they must be.
    """
    views: list[BoardView] = []
    quick, full = greys.level(QUICK_SIDE_PX), greys.level(FULL_SIDE_PX)
    looks = [(quick, (13,), False), (quick, (7, 25), False)]
    if full < quick:
        looks += [(full, (13,), False)]
    looks += [(full, (23, 45), True)]
    found: list[tuple[str, int, np.ndarray]] = []
    for look in looks:
        for dictionary in dict.fromkeys(g.dictionary for g in geometries):
            _add(found, _read(greys, dictionary, *look))
        views = _assemble(greys, geometries, found)
        if views and len(views[0].corners_px) >= min(4, len(views[0].geometry.markers)):
            break
        if views and len(views[0].corners_px) >= 2:
            break
    return [_complete(greys, view) for view in views]


@lru_cache(maxsize=64)
def _detector(dictionary: str, windows: tuple[int, ...], lenient: bool) -> list[cv2.aruco.ArucoDetector]:
    detectors = []
    for window in windows:
        p = cv2.aruco.DetectorParameters()
        p.adaptiveThreshWinSizeMin = p.adaptiveThreshWinSizeMax = window
        p.minMarkerPerimeterRate = 0.03
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
    """Cells of a marker with its black border and one white cell around, 1 white, 0 black. (n + 4, n + 4)"""
    family = _dictionary(dictionary)
    n = family.markerSize + 2
    bits = cv2.aruco.generateImageMarker(family, id, n) > 127
    return np.pad(bits.astype(float), 1, constant_values=1.0)


def _read(
    greys: Greys, dictionary: str, level: int, windows: tuple[int, ...], lenient: bool
) -> list[tuple[str, int, np.ndarray]]:
    out = []
    for detector in _detector(dictionary, windows, lenient):
        corners, ids, _ = detector.detectMarkers(greys[level])
        for quad, id in zip(corners, [] if ids is None else ids.ravel(), strict=True):
            # pixel centres at integers: a halved pixel c lies at (c + 0.5) * 2 - 0.5
            out.append((dictionary, int(id), (quad[0].astype(float) + 0.5) * 2**level - 0.5))
    return out


def _add(found: list, new: list) -> None:
    """Add readings that are not there yet; the first reading of a place stays."""
    for dictionary, id, quad in new:
        side = np.sqrt(cv2.contourArea(quad.astype(np.float32)))
        if all(
            d != dictionary or i != id or np.linalg.norm(q.mean(0) - quad.mean(0)) > side / 2 for d, i, q in found
        ):
            found.append((dictionary, id, quad))


def _assemble(
    greys: Greys, geometries: Sequence[BoardGeometry], found: list[tuple[str, int, np.ndarray]]
) -> list[BoardView]:
    """Sort markers into boards by geometry; readings that fit none are dropped."""
    free = []
    for dictionary, id, quad in found:
        corr = correlation(greys[0], quad, pattern(dictionary, id))
        if corr >= MATCH:
            free.append((dictionary, id, quad, corr))
    views: list[BoardView] = []
    while free:
        best: tuple[float, BoardGeometry, dict[int, int]] | None = None
        for geometry in geometries:
            for seed, (dictionary, id, _, corr) in enumerate(free):
                if dictionary != geometry.dictionary or id not in geometry.ids:
                    continue
                members = _members(geometry, free, seed)
                score = len(members) + 0.1 * corr
                if best is None or score > best[0]:
                    best = (score, geometry, members)
        if best is None:
            break
        _, geometry, members = best
        if views and len(members) < 2 <= len(geometry.markers):
            break  # a lone reading beside a good board is more likely chance than a second board
        refined = {id: _refine(greys[0], free[n][2], geometry.dictionary) for id, n in members.items()}
        views.append(
            BoardView(
                geometry,
                {id: quad for id, (quad, _) in refined.items()},
                {id: free[n][3] for id, n in members.items()},
                {id: weights for id, (_, weights) in refined.items()},
            )
        )
        free = [f for n, f in enumerate(free) if n not in members.values()]
    return views


def _members(geometry: BoardGeometry, free: list, seed: int) -> dict[int, int]:
    """Readings that lie where the board of the seed marker would have them: marker id to index."""
    members = {free[seed][1]: seed}
    changed = True
    while changed:
        changed = False
        mm = np.concatenate([geometry.corners_mm(i) for i in members])
        px = np.concatenate([free[n][2] for n in members.values()])
        several = len(members) > 1
        H = cv2.findHomography(mm, px)[0] if several else similarity(mm, px)
        if H is None:
            break
        best = None
        for n, (dictionary, id, quad, _) in enumerate(free):
            if dictionary != geometry.dictionary or id in members or id not in geometry.ids:
                continue
            side = np.sqrt(abs(cv2.contourArea(quad.astype(np.float32))))
            predicted = project(H, geometry.corners_mm(id))
            apart = np.linalg.norm(geometry.corners_mm(id).mean(0) - mm.mean(0)) / geometry.marker(id).side_mm
            # one marker tells the board's place only roughly: perspective and corner error grow with distance
            tolerance = side * ((0.10 if several else 0.25) * apart + 0.15)
            miss = np.linalg.norm(predicted - quad, axis=1).max()
            if miss < tolerance and (best is None or miss / tolerance < best[0]):
                best = (miss / tolerance, id, n)
        if best is not None:
            members[best[1]] = best[2]
            changed = True
    return members


def similarity(mm: np.ndarray, px: np.ndarray) -> np.ndarray | None:
    """Affine map by least squares as a homography: steadier than eight unknowns from one marker. (3, 3)"""
    A = np.c_[mm, np.ones(len(mm))]
    solution = np.linalg.lstsq(A, px, rcond=None)[0]
    return np.r_[solution.T, [[0, 0, 1.0]]]


def project(H: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points through a homography. (n, 2) -> (n, 2)"""
    out = np.c_[points, np.ones(len(points))] @ H.T
    return out[:, :2] / out[:, 2:]


def correlation(grey: np.ndarray, quad: np.ndarray, cells: np.ndarray) -> float:
    """Correlation of a marker's place in the photo with its known cells, free of brightness, contrast and slope."""
    n = len(cells)
    per = 4
    patch = _patch(grey, quad, n, per)
    if patch is None:
        return -1.0
    means = patch.reshape(n, per, n, per)[:, 1:3, :, 1:3].mean((1, 3))
    y, x = np.mgrid[:n, :n]
    A = np.c_[np.ones(n * n), x.ravel(), y.ravel(), cells.ravel()]
    base = A[:, :3]
    seen = means.ravel() - base @ np.linalg.lstsq(base, means.ravel(), rcond=None)[0]
    known = cells.ravel() - base @ np.linalg.lstsq(base, cells.ravel(), rcond=None)[0]
    return float(seen @ known / max(np.linalg.norm(seen) * np.linalg.norm(known), 1e-9))


def _patch(grey: np.ndarray, quad: np.ndarray, n: int, per: int) -> np.ndarray | None:
    """The marker with one cell around, warped upright at ``per`` pixels a cell. (n per, n per)"""
    inner = np.array([[1.0, 1], [n - 1, 1], [n - 1, n - 1], [1, n - 1]]) * per - 0.5
    if not cv2.isContourConvex(quad.astype(np.float32)):
        return None
    M = cv2.getPerspectiveTransform(inner.astype(np.float32), quad.astype(np.float32))
    size = n * per
    return cv2.warpPerspective(
        grey, M, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)


def _refine(grey: np.ndarray, quad: np.ndarray, dictionary: str) -> tuple[np.ndarray, np.ndarray]:
    """Corners to sub-pixel at full resolution (4, 2) [px], and trust in each (4,)."""
    cells = _dictionary(dictionary).markerSize + 2
    side = np.sqrt(abs(cv2.contourArea(quad.astype(np.float32))))
    half = int(np.clip(0.7 * side / cells, 2, 12))
    points = np.ascontiguousarray(quad.reshape(-1, 1, 2).astype(np.float32))
    h, w = grey.shape
    inside = (points[..., 0] > half + 1) & (points[..., 0] < w - half - 2)
    inside &= (points[..., 1] > half + 1) & (points[..., 1] < h - half - 2)
    rough = quad
    if inside.all():
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 20, 0.02)
        moved = cv2.cornerSubPix(grey, points, (half, half), (-1, -1), criteria).reshape(-1, 2).astype(float)
        rough = np.where(np.linalg.norm(moved - quad, axis=1, keepdims=True) < half, moved, quad)
    sharp, weights = edge_corners(grey, rough, cells)
    # a corner without both its edges keeps its rough place and little say
    return np.where(weights[:, None] > 0, sharp, rough), np.maximum(weights, 0.02)


def _complete(greys: Greys, view: BoardView) -> BoardView:
    """Look for the markers not yet found, where those found say they must be."""
    return view


def map_from_board(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """Ground map from all boards seen in the photo.

    The ground frame is the first board's: origin at its middle, x to its right, y to its top as printed, z up.

    Raises
    ------
    BoardNotFound
        No marker of the board is seen.
    BadSettings
        The board file or lens profile cannot be read.
    """
    geometry = read_board(settings.board) if settings.board is not None else default_board()
    focal = focal_of(photo, settings)
    views = find_boards(Greys(photo.rgb), [geometry])
    if not views:
        raise BoardNotFound(
            f"No marker of the board {geometry.name!r} ({geometry.dictionary}) is seen in {photo.path.name}.",
            "Lay the board flat beside the row, face up, wholly in the picture and free of soil and leaves.",
        )
    return _ground_map(views, focal, photo.width_px, photo.height_px)


def _ground_map(views: list[BoardView], focal: Focal, width: int, height: int) -> GroundMap:
    points = [view.points(focal.lens, width, height) for view in views]
    pose = fit_plane(points, focal.K, focal.sd)
    if pose is None:
        raise BoardNotFound(
            "The markers of the board fit no camera above the ground.",
            "Photograph the whole board from closer and from above.",
        )
    # board frame in mm, y down, to ground frame in cm, y up
    flip = np.diag([10.0, -10.0, 1.0])
    H = np.linalg.inv(pose.px_from_plane() @ flip)
    misfit = [
        ((project(np.linalg.inv(pose.px_from_plane(i)), p.px) - p.mm - pose.edge_shift_mm * p.outward) ** 2).sum(1) * w
        for i, (p, w) in enumerate(zip(points, pose.weights, strict=True))
    ]
    total = np.concatenate(pose.weights).sum()
    residual = float(np.sqrt(np.concatenate(misfit).sum() / max(total, 1e-9)))
    x, y, z = pose.camera_mm / 10
    markers = sum(len(v.corners_px) for v in views)
    bits = flags.bit("few_markers") if max(len(v.corners_px) for v in views) < 3 else 0

    def to_photo(plane: np.ndarray, i: int) -> tuple[tuple[float, float], ...]:
        px = project(pose.px_from_plane(i), plane)
        if focal.lens is not None:
            px = focal.lens.distort(px, width, height)
        return tuple((float(a), float(b)) for a, b in px)

    return GroundMap(
        ground_from_px=H / H[2, 2],
        width_px=width,
        height_px=height,
        method="board",
        residual_mm=residual,
        mark_px=to_photo(np.zeros((1, 2)), 0)[0],
        scale_error_pct_per_m=pose.scale_growth_pct_per_m(),
        camera_cm=(float(x), float(-y), float(-z)),
        lens=focal.lens,
        flags=bits,
        notes=(f"Scale from {len(views)} board(s), {markers} markers.", focal.note),
        marks_px=tuple(
            tuple((float(a), float(b)) for a, b in quad) for view in views for quad in view.corners_px.values()
        ),
        mark_hull_px=to_photo(views[0].geometry.outline_mm(), 0),
    )
