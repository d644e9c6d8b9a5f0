"""The plane under a photo from known points on it: camera pose and focal length, least squares in pixels.

A board is small beside the stretch of row it gives a scale to. A free homography (8 unknowns) fitted to it
bends away soon outside it; a camera that stands somewhere (6 unknowns) and has a roughly known focal length
cannot. So the pose and the focal length are fitted, the latter with a prior, and the homography is ``K [r1
r2 t]`` (Zhang 2000, IEEE TPAMI 22:1330-1334).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

FLATNESS_DEG = 0.7
"""How far a board laid on raked or planted soil lies out of the soil's plane, one standard deviation about
each axis (common practice, no source). It is part of the scale error, because nothing in the photo can show
it. [deg]"""

CORNER_SD_PX = 0.15
"""Least standard deviation of a corner; a lucky small misfit must not promise more. [px]"""


TILT_SD_DEG = 25.0
"""Photos of a row are taken looking down: the spread of the angle between the optical axis and the plumb
line. Only used to choose between two poses that fit about equally well (common practice, no source). [deg]"""

EDGE_SHIFT_SD_PX = 0.8
"""Blur and the camera's tone curve make light areas eat into dark ones, so that all markers look smaller
(seldom larger) by the same amount on each side. One unknown, with this prior about zero. [px]"""


@dataclass(frozen=True)
class PlanePoints:
    """Corners of the markers of one board."""

    mm: np.ndarray
    """In the board frame. (n, 2) [mm]"""
    px: np.ndarray
    """As seen, lens distortion taken out. (n, 2) [px]"""
    weights: np.ndarray
    """From 0 to 1. (n,)"""
    outward: np.ndarray
    """How a corner moves when its marker's edges move out by one: (±1, ±1) in the board frame. (n, 2)"""


@dataclass(frozen=True)
class PlanePose:
    """A camera over a plane carrying one or more boards."""

    rotation: np.ndarray
    """Board frame of the first board to camera axes (x right, y down, z forward). (3, 3)"""
    translation_mm: np.ndarray
    """Origin of the first board in camera axes. (3,) [mm]"""
    focal_px: float
    K: np.ndarray
    """Camera matrix. (3, 3) [px]"""
    placements: tuple[np.ndarray, ...]
    """Each board's frame in the first board's: x, y, turn. (3,) [mm, mm, rad]"""
    covariance: np.ndarray
    """Of rotation vector, translation and log focal length. (7, 7)"""
    edge_shift_mm: float
    """How far marker edges seem to lie outside their printed place; below zero when light bleeds into black.
    [mm]"""
    weights: tuple[np.ndarray, ...]
    """Weight each point ended with, 0 to 1, per board. (n,)"""
    residuals_px: tuple[np.ndarray, ...]
    """Seen minus fitted, per board. (n, 2) [px]"""

    @property
    def camera_mm(self) -> np.ndarray:
        """Camera centre in the first board's frame, whose z points into the soil (3,) [mm]."""
        return -self.rotation.T @ self.translation_mm

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the normal of the plane [deg]."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1, 1))))

    def px_from_plane(self, board: int = 0) -> np.ndarray:
        """Homography from a board's frame [mm] to undistorted pixels (3, 3)."""
        plane = self.K @ np.column_stack([self.rotation[:, :2], self.translation_mm])
        return plane @ _placement_matrix(self.placements[board])

    def scale_growth_pct_per_m(self, width_px: int, height_px: int, distortion_sd: float = 0.0) -> float:
        """Growth of the relative scale error with distance from the first board [% per m].

        Three errors are carried to the logarithm of the local scale (root of the area ratio) at places 1 m
        from the board, in twelve directions: the covariance of pose and focal length (corner errors through
        the fit's Jacobian); a tilt of the board against the soil of ``FLATNESS_DEG`` about each axis; and
        unknown radial distortion k1 with standard deviation ``distortion_sd``, which changes the local scale
        by about 2 k1 r². The answer is the root mean square, over the places that lie in the picture, of the
        standard deviation of (log scale there - log scale at the board). Where the picture ends sooner,
        nearer places are taken.
        """
        for distance_m in (1.0, 0.5, 0.25):
            sd = self._log_scale_sd(1000 * distance_m, width_px, height_px, distortion_sd)
            if len(sd) >= 2:
                return float(100 * np.sqrt((sd**2).mean()) / distance_m)
        return float("nan")

    def _log_scale_sd(self, distance_mm: float, width_px: int, height_px: int, distortion_sd: float) -> np.ndarray:
        angle = np.arange(12) * np.pi / 6
        places = np.zeros((13, 3))
        places[1:, 0], places[1:, 1] = distance_mm * np.cos(angle), distance_mm * np.sin(angle)
        places[:, 2] = 1
        pixels = places @ self.px_from_plane().T
        ahead = pixels[:, 2] > 0
        pixels = pixels / pixels[:, 2:]
        inside = ahead & (pixels[:, :2] >= 0).all(1) & (pixels[:, :2] <= [width_px - 1, height_px - 1]).all(1)
        inside[0] = True
        if inside.sum() < 3:
            return np.empty(0)
        pixels = pixels[inside]
        r2 = (((pixels[:, :2] - self.K[:2, 2]) / self.focal_px) ** 2).sum(1)

        def log_scale(params: np.ndarray, tilt: np.ndarray) -> np.ndarray:
            # a wrong pose misreads the pixels of true places
            plane = cv2.Rodrigues(params[:3])[0] @ self.rotation @ cv2.Rodrigues(tilt)[0]
            plane[:, 2] = self.translation_mm + params[3:6]
            K = self.K.copy()
            K[0, 0] = K[1, 1] = self.focal_px * np.exp(params[6])
            back = np.linalg.inv(K @ plane)
            # |det| of a homography's Jacobian is |det H| / |w|³
            return 0.5 * (np.log(abs(np.linalg.det(back))) - 3 * np.log(np.abs(pixels @ back[2])))

        still = np.zeros(7)
        steps = np.array([1e-4] * 3 + [0.1] * 3 + [1e-4])
        G = [(log_scale(p, still[:3]) - log_scale(-p, still[:3])) / 2 / p.sum() for p in np.diag(steps)]
        T = [(log_scale(still, t) - log_scale(still, -t)) / 2e-3 for t in 1e-3 * np.eye(3)[:2]]
        G, T = (np.array(d)[:, 1:] - np.array(d)[:, :1] for d in (G, T))
        variance = np.einsum("ji,jk,ki->i", G, self.covariance, G) + (T**2).sum(0) * (
            np.deg2rad(FLATNESS_DEG) ** 2 / len(self.placements)
        )
        return np.sqrt(variance + (2 * (r2[1:] - r2[0]) * distortion_sd) ** 2)


def fit_plane(boards: list[PlanePoints], K: np.ndarray, focal_sd: float) -> PlanePose | None:
    """Camera pose over the common plane of one or more boards, by robust least squares of pixels.

    Outlying corners (a leaf, a clod) are weighed down by Tukey's biweight on distances over a robust standard
    deviation. A small plane seen from afar has two poses that fit nearly as well, mirrored about the line of
    sight (Schweighofer and Pinz 2006, IEEE TPAMI 28:2024-2030; from memory); both are fitted, and the one
    with the lower sum of squares is taken, counting a camera tilt of ``TILT_SD_DEG`` as one standard
    deviation.

    Parameters
    ----------
    boards : list of PlanePoints
        At least four points on the first board.
    K : array (3, 3)
        Camera matrix with the expected focal length [px].
    focal_sd : float
        Relative standard deviation of the expected focal length.

    Returns
    -------
    PlanePose or None
        None when no camera in front of the plane fits.
    """
    best: tuple[float, PlanePose] | None = None
    for start in _starts(boards[0], K):
        pose, cost = _fit_from(start, boards, K, focal_sd)
        if not (np.isfinite(cost) and pose.translation_mm[2] > 0 and pose.camera_mm[2] < 0):
            continue
        cost += (pose.tilt_deg / TILT_SD_DEG) ** 2
        if best is None or cost < best[0]:
            best = (cost, pose)
    return best[1] if best else None


def _fit_from(
    start: tuple[np.ndarray, np.ndarray], boards: list[PlanePoints], K: np.ndarray, focal_sd: float
) -> tuple[PlanePose, float]:
    turn, move = start
    first = PlanePose(turn, move, float(K[0, 0]), K, (np.zeros(3),), np.eye(7), 0.0, (), ())
    theta = np.concatenate([np.zeros(3), move, [0.0, 0.0], *(_place(board, first) for board in boards[1:])])
    given = np.concatenate([b.weights for b in boards]).astype(float)
    seen = np.concatenate([b.px for b in boards])
    weights, sd = given, 0.5
    # the prior of the edge shift is in pixels, the unknown in mm
    shift_sd = EDGE_SHIFT_SD_PX * move[2] / K[0, 0]
    for _ in range(5):
        theta, turn, J = _solve(theta, turn, boards, seen, weights, K, (focal_sd / sd, shift_sd / sd))
        error = seen - _project(theta, turn, boards, K)[0]
        distance = np.linalg.norm(error, axis=1)
        # 1.177: the median of a Rayleigh distribution with unit standard deviation
        sd = max(float(np.median(distance[given > 0.5 * given.max()])) / 1.177, CORNER_SD_PX)
        new = given * (1 - np.clip(distance / (4.5 * sd), 0, 1) ** 2) ** 2
        moved, weights = float(np.abs(new - weights).max()), new
        if moved < 0.02:
            break
    w = np.repeat(weights, 2)
    normal = (J * w[:, None]).T @ J / sd**2
    normal[6, 6] += 1 / focal_sd**2
    normal[7, 7] += 1 / shift_sd**2
    scaled = K.copy()
    scaled[0, 0] = scaled[1, 1] = K[0, 0] * np.exp(theta[6])
    splits = np.cumsum([len(b.px) for b in boards])[:-1]
    pose = PlanePose(
        turn,
        theta[3:6],
        float(scaled[0, 0]),
        scaled,
        (np.zeros(3), *theta[8:].reshape(-1, 3)),
        np.linalg.pinv(normal)[:7, :7],
        float(theta[7]),
        tuple(np.split(weights, splits)),
        tuple(np.split(error, splits)),
    )
    # Tukey's loss with a common scale, so that a pose which throws out more corners pays for each
    loss = given * (4.5**2 / 3) * (1 - (1 - np.clip(distance / (4.5 * CORNER_SD_PX), 0, 1) ** 2) ** 3)
    return pose, float(loss.sum() + (theta[6] / focal_sd) ** 2 + (theta[7] / shift_sd) ** 2)


def _starts(board: PlanePoints, K: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Poses to start from: the two that a small plane allows, or one where the other clearly does not fit."""
    use = board.weights > 0.25
    if use.sum() < 4:
        use = board.weights > 0
    if use.sum() < 4:
        return []
    # the board is first turned to lie as it does in the picture: OpenCV 5.0 gives NaN for turns of 180
    # degrees
    mm, px = board.mm[use] - board.mm[use].mean(0), board.px[use] - board.px[use].mean(0)
    angle = np.arctan2((mm[:, 0] * px[:, 1] - mm[:, 1] * px[:, 0]).sum(), (mm * px).sum())
    Z = cv2.Rodrigues(np.array([0.0, 0.0, angle]))[0]
    flat = np.column_stack([board.mm[use], np.zeros(use.sum())]) @ Z.T
    try:
        count, turns, moves, misfits = cv2.solvePnPGeneric(flat, board.px[use], K, None, flags=cv2.SOLVEPNP_IPPE)
    except cv2.error:
        return []
    starts: list[tuple[np.ndarray, np.ndarray]] = []
    misfits = np.ravel(misfits)
    for i in range(count):
        R, t = cv2.Rodrigues(turns[i])[0] @ Z, moves[i].ravel()
        plausible = t[2] > 0 and (R.T @ t)[2] > 0 and np.isfinite(R).all()
        if plausible and (not starts or misfits[i] < 2 * misfits[0] + 0.3):
            starts.append((R, t))
    return starts


def _place(board: PlanePoints, pose: PlanePose) -> np.ndarray:
    """Start of a further board's placement: its points, read with the first board's plane."""
    points_mm = board.mm
    ground = np.c_[board.px, np.ones(len(board.px))] @ np.linalg.inv(pose.px_from_plane()).T
    ground = ground[:, :2] / ground[:, 2:]
    a, b = points_mm - points_mm.mean(0), ground - ground.mean(0)
    angle = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, s = np.cos(angle), np.sin(angle)
    return np.r_[ground.mean(0) - np.array([[c, -s], [s, c]]) @ points_mm.mean(0), angle]


def _placement_matrix(place: np.ndarray) -> np.ndarray:
    x, y, angle = place
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]])


def _project(
    theta: np.ndarray, turn: np.ndarray, boards: list[PlanePoints], K: np.ndarray, jacobian: bool = False
) -> tuple[np.ndarray, np.ndarray | None]:
    """Pixels of all points (n, 2) [px] and, if asked for, their change with the unknowns (2n, p).

    ``theta`` holds a small turn on top of ``turn``, translation, log focal ratio, edge shift, and the
    placements of further boards.
    """
    R = cv2.Rodrigues(theta[:3])[0] @ turn
    f = K[0, 0] * np.exp(theta[6])
    rays, J = [], []
    for i, board in enumerate(boards):
        spot = board.mm + theta[7] * board.outward
        grow, place = board.outward, theta[5 + 3 * i : 8 + 3 * i] if i else None
        if place is not None:
            P = _placement_matrix(place)
            spin = spot @ (P[:2, :2] @ [[0, -1.0], [1, 0]]).T
            spot, grow = spot @ P[:2, :2].T + P[:2, 2], grow @ P[:2, :2].T
        lever = spot @ R[:, :2].T
        rays.append(lever + theta[3:6])
        if jacobian:
            d = np.zeros((len(spot), len(theta), 3))
            # a small turn w moves a lever arm a by w x a; the turn is taken about the present rotation
            d[:, 0, 1], d[:, 0, 2] = -lever[:, 2], lever[:, 1]
            d[:, 1, 0], d[:, 1, 2] = lever[:, 2], -lever[:, 0]
            d[:, 2, 0], d[:, 2, 1] = -lever[:, 1], lever[:, 0]
            d[:, 3:6] = np.eye(3)
            d[:, 7] = grow @ R[:, :2].T
            if place is not None:
                d[:, 5 + 3 * i], d[:, 6 + 3 * i] = R[:, 0], R[:, 1]
                d[:, 7 + 3 * i] = spin @ R[:, :2].T
            J.append(d)
    ray = np.concatenate(rays)
    slope = ray[:, :2] / ray[:, 2:]
    px = slope * f + K[:2, 2]
    if not jacobian:
        return px, None
    d = np.concatenate(J)
    out = (d[:, :, :2] - slope[:, None] * d[:, :, 2:]) * (f / ray[:, None, 2:])
    out[:, 6] = slope * f
    return px, out.transpose(0, 2, 1).reshape(2 * len(px), -1)


def _solve(
    theta: np.ndarray,
    turn: np.ndarray,
    boards: list[PlanePoints],
    seen: np.ndarray,
    weights: np.ndarray,
    K: np.ndarray,
    priors: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levenberg-Marquardt: theta with its turn moved into the rotation, rotation, Jacobian [px]."""
    root = np.sqrt(np.repeat(weights, 2))
    prior = np.zeros(len(theta))
    prior[6:8] = 1 / np.square(priors)
    damping = 1e-4

    def cost_of(px: np.ndarray, params: np.ndarray) -> float:
        return float((((seen - px).ravel() * root) ** 2).sum() + prior @ params**2)

    px, J = _project(theta, turn, boards, K, True)
    cost = cost_of(px, theta)
    for _ in range(15):
        assert J is not None
        weighted = J * root[:, None]
        A = weighted.T @ weighted
        A[np.diag_indices(len(A))] += prior
        g = weighted.T @ ((seen - px).ravel() * root) - prior * theta
        try:
            move = np.linalg.solve(A + damping * np.diag(np.diag(A)), g)
        except np.linalg.LinAlgError:
            break
        new_cost = cost_of(_project(theta + move, turn, boards, K)[0], theta + move)
        if new_cost < cost:
            small = cost - new_cost < 1e-5 * cost
            theta, cost, damping = theta + move, new_cost, damping / 10
            turn = cv2.Rodrigues(theta[:3])[0] @ turn
            theta[:3] = 0
            px, J = _project(theta, turn, boards, K, True)
            if small:
                break
        else:
            damping *= 30
            if damping > 1e4:
                break
    assert J is not None  # asked for in every turn
    return theta, turn, J
