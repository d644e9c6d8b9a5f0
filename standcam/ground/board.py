"""Finding ground boards in a photo: markers read, false ones thrown out, missing ones looked for.

A board in a field is dirty, shaded and crossed by leaves. Three things help: several ways of looking, from quick to
thorough; the known geometry of the board, which false readings do not fit; and the known pattern of each marker,
which is looked for where the board says it must be.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from standcam import flags
from standcam.errors import BoardNotFound
from standcam.ground.focal import Focal, focal_of
from standcam.ground.geometry import BoardGeometry, default_board, read_board
from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap
from standcam.ground.markers import (
    MATCH,
    Greys,
    Reading,
    add_reading,
    affine,
    correlation,
    project,
    read_markers,
    refine,
    seek,
    side_of,
)
from standcam.ground.pose import PlanePoints, fit_plane
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

QUICK_SIDE_PX = 1100
"""Longer side of the picture of the first look: markers of the built-in board, photographed from standing height,
keep 25 px there. [px]"""
FULL_SIDE_PX = 2600
"""Longer side of the most thorough look at the whole picture. [px]"""
DISTORTION_SD = 0.02
"""Standard deviation of radial distortion k1 of a phone without lens profile (common practice, no source). [1]"""


@dataclass(frozen=True)
class BoardView:
    """One board as seen in the photo."""

    geometry: BoardGeometry
    readings: dict[int, Reading]
    """Marker id to reading, corners refined."""
    weights: dict[int, np.ndarray]
    """Trust in each corner, 0 to 1. (4,)"""

    def points(self, lens: LensProfile | None, width_px: int, height_px: int) -> PlanePoints:
        """All corners, for the fit of the plane."""
        ids = sorted(self.readings)
        px = np.concatenate([self.readings[i].quad for i in ids])
        if lens is not None:
            px = lens.undistort(px, width_px, height_px)
        return PlanePoints(
            np.concatenate([self.geometry.corners_mm(i) for i in ids]),
            px,
            np.concatenate([self.weights[i] for i in ids]),
            np.tile([[-1.0, -1], [1, -1], [1, 1], [-1, 1]], (len(ids), 1)),
        )


def find_boards(greys: Greys, geometries: Sequence[BoardGeometry]) -> list[BoardView]:
    """Boards seen in the photo, the one with most markers first; empty when no marker is found.

    Whole-picture looks grow from quick to thorough and end with the first that finds two markers of one board; from
    there the missing ones are sought where they must be.
    """
    quick, full = greys.level(QUICK_SIDE_PX), greys.level(FULL_SIDE_PX)
    looks = [(quick, (13,), False), (quick, (7, 25), False)]
    if full < quick:
        looks.append((full, (13,), False))
    looks.append((full, (23,), True))
    found: list[Reading] = []
    views: list[BoardView] = []
    for look in looks:
        for dictionary in dict.fromkeys(g.dictionary for g in geometries):
            for reading in read_markers(greys, dictionary, *look):
                match = correlation(greys, reading.quad, reading.dictionary, reading.id)
                if match >= MATCH:
                    add_reading(found, dataclasses.replace(reading, correlation=match))
        views = _assemble(greys, geometries, found)
        if views and len(views[0].readings) >= min(2, len(views[0].geometry.markers)):
            break
    return views


def _assemble(greys: Greys, geometries: Sequence[BoardGeometry], found: list[Reading]) -> list[BoardView]:
    """Sort readings into boards by geometry; those that fit none are dropped."""
    free = list(found)
    views: list[BoardView] = []
    while free:
        best: tuple[float, BoardGeometry, list[Reading]] | None = None
        for geometry in geometries:
            for seed in free:
                if seed.dictionary != geometry.dictionary or seed.id not in geometry.ids:
                    continue
                members = _members(geometry, free, seed)
                score = len(members) + 0.1 * seed.correlation
                if best is None or score > best[0]:
                    best = (score, geometry, members)
                if len(members) == len(geometry.markers):
                    break
        if best is None:
            break
        _, geometry, members = best
        free = [r for r in free if all(r is not m for m in members)]
        view = _complete(greys, geometry, members)
        # a lone reading beside a good board is more likely chance than a second board
        if not views or len(view.readings) >= min(2, len(geometry.markers)):
            views.append(view)
    return sorted(views, key=lambda v: -len(v.readings))


def _members(geometry: BoardGeometry, free: list[Reading], seed: Reading) -> list[Reading]:
    """Readings that lie where the board of the seed marker would have them."""
    members = {seed.id: seed}
    while True:
        expect = _expected(geometry, members)
        best: tuple[float, Reading] | None = None
        for reading in free:
            if reading.dictionary != geometry.dictionary or reading.id not in expect:
                continue
            quad, reach = expect[reading.id]
            miss = np.linalg.norm(quad - reading.quad, axis=1).max() / reach
            if miss < 1 and (best is None or miss < best[0]):
                best = (miss, reading)
        if best is None:
            return list(members.values())
        members[best[1].id] = best[1]


def _expected(geometry: BoardGeometry, members: dict[int, Reading]) -> dict[int, tuple[np.ndarray, float]]:
    """Where the markers not among the members must be: corners (4, 2) [px] and how far they may be off [px]."""
    missing = [m for m in geometry.markers if m.id not in members]
    if not missing:
        return {}
    mm = np.concatenate([geometry.corners_mm(i) for i in members])
    px = np.concatenate([r.quad for r in members.values()])
    several = len(members) > 1
    H = cv2.findHomography(mm, px)[0] if several else affine(mm, px)
    if H is None:
        return {}
    expect = {}
    for marker in missing:
        quad = project(H, geometry.corners_mm(marker.id))
        apart = float(np.hypot(*(np.array(marker.centre_mm) - mm.mean(0)))) / marker.side_mm
        # one marker tells the board's place only roughly: perspective and corner error grow with distance
        reach = side_of(quad) * ((0.08 if several else 0.25) * apart + 0.15)
        if np.isfinite(reach) and reach > 0:
            expect[marker.id] = (quad, reach)
    return expect


def _complete(greys: Greys, geometry: BoardGeometry, members: list[Reading]) -> BoardView:
    """Refine the members' corners, and look for the markers not yet found, the nearest first."""
    readings: dict[int, Reading] = {}
    weights: dict[int, np.ndarray] = {}

    def take(reading: Reading) -> None:
        quad, trust = refine(greys, reading.quad, geometry.dictionary)
        readings[reading.id] = dataclasses.replace(reading, quad=quad)
        weights[reading.id] = trust

    for member in members:
        take(member)
    tried: set[tuple[int, int]] = set()
    while True:
        expect = _expected(geometry, readings)
        # a place is looked at again when further markers have told it better
        left = [i for i in expect if (i, len(readings)) not in tried]
        if not left:
            return BoardView(geometry, readings, weights)
        id = min(left, key=lambda i: expect[i][1])
        tried.add((id, len(readings)))
        reading = seek(greys, expect[id][0], geometry.dictionary, id, expect[id][1])
        if reading is not None:
            take(reading)


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
        (
            (project(np.linalg.inv(pose.px_from_plane(i)), p.px) - p.mm - pose.edge_shift_mm * p.outward) ** 2
        ).sum(1)
        * w
        for i, (p, w) in enumerate(zip(points, pose.weights, strict=True))
    ]
    total = np.concatenate(pose.weights).sum()
    residual = float(np.sqrt(np.concatenate(misfit).sum() / max(total, 1e-9)))
    x, y, z = pose.camera_mm / 10
    markers = sum(len(v.readings) for v in views)
    bits = flags.bit("few_markers") if max(len(v.readings) for v in views) < 3 else 0

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
        scale_error_pct_per_m=pose.scale_growth_pct_per_m(
            width, height, 0.0 if focal.lens is not None else DISTORTION_SD
        ),
        camera_cm=(float(x), float(-y), float(-z)),
        lens=focal.lens,
        flags=bits,
        notes=(f"Scale from {len(views)} board(s), {markers} markers.", focal.note),
        marks_px=tuple(
            tuple((float(a), float(b)) for a, b in reading.quad) for view in views for reading in view.readings.values()
        ),
        mark_hull_px=to_photo(views[0].geometry.outline_mm(), 0),
    )
