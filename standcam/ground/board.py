"""Finding ground boards in a photo: markers read, false ones thrown out, missing ones looked for.

A board in a field is dirty, shaded and crossed by leaves. Three things help: several ways of looking, from
quick to thorough; the known geometry of the board, which false readings do not fit; and the known pattern of
each marker, which is looked for where the board says it must be.
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
from standcam.ground.geometry import BoardGeometry, built_in_boards, numbered_boards, read_boards
from standcam.ground.lens import LensProfile
from standcam.ground.map import GroundMap, Outline
from standcam.ground.markers import (
    ANY_STEP,
    MATCH,
    PLAIN_STEP,
    Greys,
    Reading,
    add_reading,
    affine,
    correlation,
    project,
    read_markers,
    refine,
    same_place,
    seek,
    side_of,
)
from standcam.ground.pose import PlanePoints, PlanePose, fit_plane
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

QUICK_SIDE_PX = 1100
"""Longer side of the picture of the first look: markers of the built-in board, photographed from standing
height, keep 25 px there. [px]"""
FULL_SIDE_PX = 2200
"""Longer side of the most thorough look at the whole picture. [px]"""
DISTORTION_SD = 0.02
"""Standard deviation of radial distortion k1 of a phone without lens profile (common practice, no source).
[1]"""
SURE = 0.75
"""Correlation with the pattern of a marker that may stand for a further board."""
MEND_PX = 0.3
"""Root mean square misfit of all corners above which a marker bent by a leaf is looked for among them.
[px]"""
RESIDUAL_MM = 1.0
"""Root mean square misfit above which the markers do not fit their board: prints are true to some tenths.
[mm]"""
LOST_CORNERS = 0.35
"""Share of well-seen corners set aside as outliers above which the board does not fit its description."""
BOARDS_DIFFER_DEG = 6.0
"""Angle between two boards' planes above which one is said to be tilted; boards of 40 cm tell it to about 1.5
degrees each. [deg]"""
LEAN_DEG, STEEPEST_DEG = 20.0, 65.0
"""Hand-held cameras lean forward or, photos stored sideways, to one side, not both (common practice, no
source)."""


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


def find_boards(
    greys: Greys, geometries: Sequence[BoardGeometry], further: Sequence[BoardGeometry] = ()
) -> list[BoardView]:
    """Boards seen in the photo, the one with most markers first; empty when no marker is found.

    Of ``further`` boards two markers must be plain to see: there are many of them, and most photos show none.
    Whole-picture looks grow from quick to thorough and end with the first that finds two markers of one
    board; from there the missing ones are sought where they must be.
    """
    quick, full = greys.level(QUICK_SIDE_PX), greys.level(FULL_SIDE_PX)
    looks = [(quick, (13,), False, PLAIN_STEP), (quick, (7, 13, 25), False, ANY_STEP)]
    if full < quick:
        looks.append((full, (13,), False, ANY_STEP))
    looks.append((full, (23,), True, ANY_STEP))
    found: list[Reading] = []
    views: list[BoardView] = []
    for look in looks:
        for dictionary in dict.fromkeys(g.dictionary for g in geometries):
            for reading in read_markers(greys, dictionary, *look):
                match = correlation(greys, reading.quad, reading.dictionary, reading.id)
                if match >= MATCH:
                    add_reading(found, dataclasses.replace(reading, correlation=match))
        views = _assemble(greys, geometries, found)
        more = [r for r in found if any(r.id in g.ids and r.dictionary == g.dictionary for g in further)]
        if more:
            views += [view for view in _assemble(greys, further, more) if _is_sure(view)]
            views.sort(key=lambda v: -len(v.readings))
            views = views[:1] + [view for view in views[1:] if _is_sure(view)]
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
        view = _complete(greys, geometry, members)
        taken = [*members, *view.readings.values()]
        free = [r for r in free if not any(same_place(r, t) for t in taken)]
        views.append(view)
    views.sort(key=lambda v: -len(v.readings))
    # a lone reading beside a good board is more likely chance than a second board
    return views[:1] + [v for v in views[1:] if _is_sure(v)]


def _is_sure(view: BoardView) -> bool:
    """Whether enough of its markers are plain to see for a board beside another one."""
    plain = sum(r.correlation >= SURE for r in view.readings.values())
    return plain >= min(2, len(view.geometry.markers))


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
    """Where the missing markers must be: corners (4, 2) [px], and how far they may be off [px]."""
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

    def take(reading: Reading) -> bool:
        quad, trust = refine(greys, reading.quad, geometry.dictionary)
        if all(reading is not m for m in members) and np.sum(trust > 0.25) < 2:
            return False  # something alike, but without a marker's edges
        readings[reading.id] = dataclasses.replace(reading, quad=quad)
        weights[reading.id] = trust
        return True

    for member in members:
        take(member)
    tried: set[tuple[int, int]] = set()
    while True:
        expect = _expected(geometry, readings)
        # a place is looked at again when further markers have told it better
        left = [i for i in expect if (i, len(readings)) not in tried]
        if not left:
            break
        id = min(left, key=lambda i: expect[i][1])
        tried.add((id, len(readings)))
        reading = seek(greys, expect[id][0], geometry.dictionary, id, expect[id][1])
        if reading is not None:
            take(reading)
    _mend(greys, geometry, readings, weights)
    return BoardView(geometry, readings, weights)


def _mend(greys: Greys, geometry: BoardGeometry, readings: dict[int, Reading], weights: dict[int, np.ndarray]) -> None:
    """Refine anew, from where the others say it is, a marker that a leaf has bent out of its place."""
    if len(readings) < 3:
        return

    def misfit(ids: list[int]) -> float:
        mm = np.concatenate([geometry.corners_mm(i) for i in ids])
        px = np.concatenate([readings[i].quad for i in ids])
        H = cv2.findHomography(mm, px)[0]
        return np.inf if H is None else float(np.sqrt(np.mean((project(H, mm) - px) ** 2)))

    ids = sorted(readings)
    whole = misfit(ids)
    if whole < MEND_PX:
        return
    without = {id: misfit([i for i in ids if i != id]) for id in ids}
    # the marker without which the others agree; where none stands out, the robust fit has to do
    id = min(without, key=lambda i: without[i])
    expect = _expected(geometry, {i: r for i, r in readings.items() if i != id}).get(id)
    if without[id] > 0.5 * whole or expect is None:
        return
    quad, trust = refine(greys, expect[0], geometry.dictionary)
    if np.linalg.norm(quad - expect[0], axis=1).max() < np.linalg.norm(readings[id].quad - expect[0], axis=1).max():
        readings[id] = dataclasses.replace(readings[id], quad=quad)
        weights[id] = trust


def map_from_board(photo: Photo, settings: CalibrationSettings) -> GroundMap:
    """Ground map from all boards seen in the photo: those of the board file, else the built-in ones.

    The ground frame is the first board's: origin at its middle, x to its right, y to its top as printed, z
    up.

    Raises
    ------
    BoardNotFound
        No marker of the board is seen.
    BadSettings
        The board file or lens profile cannot be read.
    """
    geometries = read_boards(settings.board) if settings.board is not None else built_in_boards()
    further = numbered_boards() if settings.board is None else ()
    focal = focal_of(photo, settings)
    views = find_boards(Greys(photo.rgb, lambda: photo.half), geometries, further)
    if not views:
        raise BoardNotFound(
            f"No marker of {_names(geometries)} is seen in {photo.path.name}.",
            "Lay the board flat beside the row, face up, wholly in the picture and free of soil and leaves.",
        )
    return _ground_map(views, focal, photo.width_px, photo.height_px)


def _names(geometries: Sequence[BoardGeometry]) -> str:
    return " or ".join(f"the board {g.name!r} ({g.dictionary}, {g.ids_text})" for g in geometries)


def _ground_map(views: list[BoardView], focal: Focal, width: int, height: int) -> GroundMap:
    points = [view.points(focal.lens, width, height) for view in views]
    pose = fit_plane(points, focal.K, focal.sd)
    if pose is None:
        raise BoardNotFound(
            "The markers of the board fit no camera above the ground.",
            "Photograph the whole board from closer and from above.",
        )
    flip = np.diag([10.0, -10.0, 1.0])  # ground cm, y up, to board mm, y down
    H = np.linalg.inv(pose.px_from_plane() @ flip)
    residual_mm, lost = _misfit(points, pose)
    bits, doubts = 0, []
    most = max(len(v.readings) for v in views)
    if most < 3 and most < len(views[0].geometry.markers):
        bits |= flags.bit("few_markers")
        doubts.append(f"Only {most} of {len(views[0].geometry.markers)} markers were read: the scale is less sure.")
    if residual_mm > RESIDUAL_MM or lost > LOST_CORNERS:
        bits |= flags.bit("scale_residual")
        doubts.append("The markers do not fit the board's description well: is it bent, or another board?")
    tilted = _tilt_evidence(points, pose, focal)
    if tilted:
        bits |= flags.bit("board_tilted")
        doubts.append(tilted)

    def outline(i: int) -> Outline:
        px = project(pose.px_from_plane(i), views[i].geometry.outline_mm())
        return _outline(px if focal.lens is None else focal.lens.distort(px, width, height))

    middle = project(pose.px_from_plane(), np.zeros((1, 2)))
    if focal.lens is not None:
        middle = focal.lens.distort(middle, width, height)
    x, y, z = pose.camera_mm / 10
    return GroundMap(
        ground_from_px=H / H[2, 2],
        width_px=width,
        height_px=height,
        method="board",
        residual_mm=residual_mm,
        mark_px=_outline(middle)[0],
        scale_error_pct_per_m=pose.scale_growth_pct_per_m(
            width, height, 0.0 if focal.lens is not None else DISTORTION_SD
        ),
        camera_cm=(float(x), float(-y), float(-z)),
        lens=focal.lens,
        flags=bits,
        notes=(_summary(views), focal.note, *doubts),
        marks_px=tuple(_outline(r.quad) for view in views for r in view.readings.values()),
        mark_names=tuple(str(marker) for view in views for marker in view.readings),
        mark_hull_px=outline(0),
        more_hulls_px=tuple(outline(i) for i in range(1, len(views))),
    )


def _outline(points: np.ndarray) -> Outline:
    return tuple((float(x), float(y)) for x, y in points)


def _summary(views: list[BoardView]) -> str:
    parts = []
    for view in views:
        missing = sorted(set(view.geometry.ids) - set(view.readings))
        board = view.geometry
        count = f"{len(view.readings)} of {len(board.markers)}"
        text = f"{count} markers of the board {board.name!r}, {board.ids_text}"
        parts.append(text + (f" (not seen: {', '.join(map(str, missing))})" if missing else ""))
    return f"Scale from {' and '.join(parts)}."


def _misfit(points: list[PlanePoints], pose: PlanePose) -> tuple[float, float]:
    """Root mean square misfit of the corners used [mm], and the share of good corners set aside."""
    square, weight, good, lost = 0.0, 0.0, 0, 0
    for i, (p, used) in enumerate(zip(points, pose.weights, strict=True)):
        seen = project(np.linalg.inv(pose.px_from_plane(i)), p.px)
        off = ((seen - p.mm - pose.edge_shift_mm * p.outward) ** 2).sum(1)
        square, weight = square + float(off @ used), weight + float(used.sum())
        trusted = p.weights > 0.5
        good, lost = good + int(trusted.sum()), lost + int((trusted & (used < 0.05 * p.weights)).sum())
    return float(np.sqrt(square / max(weight, 1e-9))), lost / max(good, 1)


def _tilt_evidence(points: list[PlanePoints], pose: PlanePose, focal: Focal) -> str:
    """Why the board may not lie in the soil's plane, in words; empty when nothing tells so.

    One flat board cannot show its own tilt. Two things can: boards in one photo whose planes differ, and a
    camera that would have been held as nobody holds one: more than ``LEAN_DEG`` to the side and forward at
    once, or looking along the soil.
    """
    normals = []
    for p in points:
        alone = fit_plane([p], pose.K, 0.005) if len(points) > 1 and (p.weights > 0.5).sum() >= 8 else None
        if alone is not None:
            normals.append(alone.rotation[:, 2])
    for i, a in enumerate(normals):
        for b in normals[:i]:
            angle = float(np.degrees(np.arccos(np.clip(a @ b, -1, 1))))
            if angle > BOARDS_DIFFER_DEG:
                return f"The boards lie {angle:.0f} degrees out of one plane: not all are flat on the soil."
    lean = np.degrees(np.arcsin(np.clip(np.abs(pose.rotation[:2, 2]), 0, 1)))
    if pose.tilt_deg > STEEPEST_DEG or lean.min() > LEAN_DEG:
        return (
            f"The camera would have been held {lean[1]:.0f} degrees forward and {lean[0]:.0f} degrees to the "
            "side: the board seems to lie askew."
        )
    return ""
