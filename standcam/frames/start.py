"""Where frames are before they are adjusted: what was noted of each, and chains of pairs through a whole flight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from standcam.errors import NoScale
from standcam.frames.look import Look
from standcam.frames.pairs import Pair
from standcam.frames.record import Problem
from standcam.ground.control import ControlPoints
from standcam.ground.flight import check_nadir, focal_of_frame, height_of
from standcam.ground.lens import LensProfile
from standcam.settings import Settings

BOARD_SD = 0.01
"""Relative error of a height by a board: its corners, and its own tilt (common practice, no source)."""
BOARD_OFF = 0.35
"""A board that differs by more from the noted height is no board."""
FAR_OFF = 6.0
"""A noted place further than this from where all others put it is wrong, in standard deviations."""
HAND_HEIGHT_CM = 1000.0
"""To begin with, where no height is known and control points give the scale. [cm]"""


@dataclass(frozen=True)
class Noted:
    """Frames that can be used, and what was noted of them."""

    looks: tuple[Look, ...]
    K: np.ndarray
    """(n, 3, 3) [px]"""
    lenses: tuple[LensProfile | None, ...]
    height_cm: np.ndarray
    """NaN where unknown. (n,)"""
    height_sd: np.ndarray
    """Relative. (n,)"""
    boards: int
    """Frames whose height is by a board."""
    heights_given: bool
    xy_cm: np.ndarray
    """NaN where unknown. (n, 2)"""
    yaw: np.ndarray
    """NaN where unknown. (n,) [rad]"""
    down: np.ndarray
    """Tilt by the mount, 0 where unknown. (n,) [rad]"""
    origin_m: tuple[float, float]
    crs_wkt: str
    crs_name: str
    notes: tuple[str, ...]

    def normal(self, k: int, points_px: np.ndarray) -> np.ndarray:
        """Places of a frame by its focal length, distortion of a lens profile taken out. (n, 2) [px] -> (n, 2) [1]"""
        look, lens = self.looks[k], self.lenses[k]
        if lens is not None:
            points_px = lens.undistort(points_px, look.width_px, look.height_px)
        return (points_px - self.K[k, :2, 2]) / self.K[k, 0, 0]


def take_notes(looks: Sequence[Look], settings: Settings, control: ControlPoints | None) -> tuple[Noted, list[Problem]]:
    """Sort out frames that cannot be used, and collect what is noted of the others.

    Raises
    ------
    NoScale
        No frame is left.
    """
    problems: list[Problem] = []
    kept: list[Look] = []
    focal, heights, errors, boards, given, notes = [], [], [], 0, True, []
    for look in looks:
        try:
            check_nadir(look.facts, settings.flight)
            found = focal_of_frame(look.width_px, look.height_px, look.facts, settings.calibration)
            height = np.nan
            try:
                noted = height_of(look.facts, settings.calibration, settings.flight)
                height, given = noted.cm, given and noted.given
            except NoScale:
                if control is None and not any(other.board_cm_per_px for other in looks):
                    raise
            off = settings.flight.height_error_pct / 100
            if look.board_cm_per_px is not None:
                by_board = look.board_cm_per_px * found.K[0, 0]
                if not abs(by_board / height - 1) > BOARD_OFF:  # or no height is noted
                    height, off, boards = by_board, BOARD_SD, boards + 1
        except NoScale as error:
            problems.append(Problem(look.path, error.reason, error.remedy))
            continue
        kept.append(look)
        focal.append(found)
        heights.append(height)
        errors.append(off)
    if not kept:
        raise NoScale(
            problems[0].reason if problems else "There are no frames.", problems[0].remedy if problems else ""
        )
    notes.append(focal[0].note)
    crs_wkt, crs_name, places = _on_map(kept, settings, notes)
    told = np.isfinite(places).all(axis=1)
    if told.any():
        middle = places[told].mean(axis=0)
    elif control is not None:
        middle = control.map_m.mean(axis=0)
    else:
        middle = np.zeros(2)
    origin = np.floor(middle)
    yaw = np.array([np.nan if (y := look.facts.yaw_deg) is None else np.deg2rad(y) for look in kept])
    pitch = np.array([-90.0 if (p := look.facts.pitch_deg) is None else p for look in kept])
    return (
        Noted(
            tuple(kept),
            np.stack([f.K for f in focal]),
            tuple(f.lens for f in focal),
            np.array(heights),
            np.array(errors),
            boards,
            given,
            (places - origin) * 100,
            yaw,
            -np.deg2rad(90 + pitch),
            (float(origin[0]), float(origin[1])),
            crs_wkt,
            crs_name,
            tuple(notes),
        ),
        problems,
    )


def _on_map(looks: Sequence[Look], settings: Settings, notes: list[str]) -> tuple[str, str, np.ndarray]:
    """Map projection and the noted places on it, NaN where a frame notes none. (n, 2) [m]"""
    import pyproj

    from standcam.errors import BadSettings
    from standcam.images.raster_grid import named, utm_of

    lonlat = np.array(
        [
            [np.nan, np.nan] if f.longitude is None or f.latitude is None else [f.longitude, f.latitude]
            for f in (look.facts for look in looks)
        ]
    )
    told = np.isfinite(lonlat).all(axis=1)
    world = pyproj.CRS("EPSG:4326")
    if settings.flight.control_crs is not None:
        try:
            crs = pyproj.CRS.from_user_input(settings.flight.control_crs)
        except pyproj.exceptions.CRSError:
            told_crs = settings.flight.control_crs
            raise BadSettings(
                f"flight.control_crs is {told_crs!r}.", "Give a map in metres, such as EPSG:32633."
            ) from None
        if not crs.is_projected or abs(crs.axis_info[0].unit_conversion_factor - 1) > 1e-9:
            raise BadSettings(f"flight.control_crs is {crs.name}.", "Give a map in metres, such as EPSG:32633.")
    elif told.any():
        middle = np.median(lonlat[told], axis=0)
        crs = utm_of("the flight", world, float(middle[0]), float(middle[1]), [])
    else:
        notes.append("No frame tells its position: the ground has no place on earth and no north.")
        return "", "local", np.full((len(looks), 2), np.nan)
    forth = pyproj.Transformer.from_crs(world, crs, always_xy=True)
    places = np.full((len(looks), 2), np.nan)
    if told.any():
        places[told] = np.stack(forth.transform(*lonlat[told].T), axis=1)
    places[~np.isfinite(places).all(axis=1)] = np.nan
    return crs.to_wkt(), named(crs), places


def groups_of(n: int, pairs: Sequence[Pair]) -> list[list[int]]:
    """Frames that hang together by pairs, the largest group first."""
    group = list(range(n))

    def root(k: int) -> int:
        while group[k] != k:
            group[k] = group[group[k]]
            k = group[k]
        return k

    for pair in pairs:
        group[root(pair.first)] = root(pair.second)
    found: dict[int, list[int]] = {}
    for k in range(n):
        found.setdefault(root(k), []).append(k)
    return sorted(found.values(), key=lambda members: (-len(members), members[0]))


def first_poses(noted: Noted, pairs: Sequence[Pair], gps_error_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Poses by chains of pairs, each laid on noted places and bearings; and which of these places are believed.

    Returns
    -------
    poses : ndarray
        (n, 6)
    believed : ndarray
        bool (n,)
    """
    n = len(noted.looks)
    known = np.isfinite(noted.height_cm)
    height = np.where(known, noted.height_cm, np.median(noted.height_cm[known]) if known.any() else HAND_HEIGHT_CM)
    poses = np.zeros((n, 6))
    poses[:, 2], poses[:, 4] = height, noted.down
    believed = np.zeros(n, bool)
    place, turn, scale = np.zeros(n, complex), np.zeros(n), np.ones(n)
    for members in groups_of(n, pairs):
        _chain(noted, height, [p for p in pairs if p.first in members], members, place, turn, scale)
        # turn is counterclockwise, a bearing clockwise
        believed[members] = _lay_down(noted, members, place, turn, 100 * gps_error_m)
    poses[:, 0], poses[:, 1], poses[:, 3] = place.real, place.imag, -turn
    poses[:, 2] = height * np.clip(scale, 0.5, 2.0)
    return poses, believed


def _chain(
    noted: Noted,
    height: np.ndarray,
    pairs: Sequence[Pair],
    members: list[int],
    place: np.ndarray,
    turn: np.ndarray,
    scale: np.ndarray,
) -> None:
    """From the frame with most pairs outward, the best pairs first: each frame by the one it was reached from."""
    count = {k: sum(k in (p.first, p.second) for p in pairs) for k in members}
    start = max(members, key=lambda k: count[k])
    reached = {start}
    left = sorted(pairs, key=lambda p: -p.found)
    while True:
        step = next((p for p in left if (p.first in reached) != (p.second in reached)), None)
        if step is None:
            return
        ends = (step.first, step.first_px), (step.second, step.second_px)
        (a, a_px), (b, b_px) = ends if step.first in reached else ends[::-1]
        z, w = (_complex(noted.normal(k, px)) * height[k] for k, px in ((a, a_px), (b, b_px)))
        # of frame a's flat picture: z = factor w + shift
        centred = w - w.mean()
        factor = np.vdot(centred, z - z.mean()) / np.vdot(centred, centred)
        if np.isfinite(noted.height_cm[[a, b]]).all():
            factor /= abs(factor)  # heights are known better than a chain of ratios keeps them
        shift = z.mean() - factor * w.mean()
        turned = scale[a] * np.exp(1j * turn[a])
        place[b] = place[a] + turned * shift
        turn[b], scale[b] = turn[a] + np.angle(factor), scale[a] * abs(factor)
        reached.add(b)


def lay_on_marks(poses: np.ndarray, here_cm: np.ndarray, there_cm: np.ndarray) -> np.ndarray:
    """Shift, turn and scale all poses so that marks come to lie where they are known to. (n, 6), (m, 2) -> (n, 6)"""
    z, w = here_cm @ [1, 1j], there_cm @ [1, 1j]
    spread = np.vdot(z - z.mean(), z - z.mean()).real
    if len(z) < 2 or spread < 1:
        return poses
    factor = np.vdot(z - z.mean(), w - w.mean()) / spread
    place = (poses[:, :2] @ [1, 1j] - z.mean()) * factor + w.mean()
    laid = poses.copy()
    laid[:, 0], laid[:, 1] = place.real, place.imag
    laid[:, 2] *= abs(factor)
    laid[:, 3] -= np.angle(factor)
    return laid


def _complex(points: np.ndarray) -> np.ndarray:
    return points[:, 0] - 1j * points[:, 1]  # the picture's y runs down


def _lay_down(noted: Noted, members: list[int], place: np.ndarray, turn: np.ndarray, error_cm: float) -> np.ndarray:
    """Shift and turn a chain onto noted places; by noted bearings where places lie too near to each other.

    Places that lie far from where all others put them are left out, the worst first. Returns which are believed. (n,)
    """
    who = np.array(members)
    there = noted.xy_cm[who, 0] + 1j * noted.xy_cm[who, 1]
    told = np.isfinite(there)
    here = place[who]
    while True:
        by = 0.0
        if told.sum() >= 2 and np.std(there[told]) > 2 * error_cm:
            a, b = here[told] - here[told].mean(), there[told] - there[told].mean()
            by = float(np.angle(np.vdot(a, b)))
        else:
            bearing = noted.yaw[who]
            if np.isfinite(bearing).any():
                by = float(np.angle(np.nansum(np.exp(1j * (-bearing - turn[who])))))
        laid = here * np.exp(1j * by)
        if told.any():
            laid = laid + np.median((there[told] - laid[told]).real) + 1j * np.median((there[told] - laid[told]).imag)
        off = np.where(told, np.abs(there - laid), 0.0)
        # chains bend by themselves: their length counts too
        if told.sum() < 4 or off.max() < FAR_OFF * error_cm + 0.2 * np.abs(here - here.mean()).max():
            break
        told[int(np.argmax(off))] = False
    if told.any():
        laid = laid + (there[told] - laid[told]).mean()
    place[who] = laid
    turn[who] += by
    return told
