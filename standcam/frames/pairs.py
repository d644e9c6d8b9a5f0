"""Two frames laid on each other: points that look alike and move alike."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.frames.look import Look

ALIKE = 0.8
"""The best likeness must beat the second best by this ratio (Lowe 2004, section 7.1)."""
MISS_STEPS = 3.0
"""Points that move together may differ by so many pixels of the reduced picture: leaves above the plane, and lenses."""
MOST_KEPT = 150
"""Points kept of a pair, spread over the overlap."""
CHECKED = 3
"""Every so many of them is held back from the adjustment, to tell its error."""
LARGEST_CHANGE = 2.0
"""Frames of one flight differ in scale by no more than this."""


@dataclass(frozen=True)
class Pair:
    """Common points of two frames."""

    first: int
    second: int
    first_px: np.ndarray
    """(n, 2) [px]"""
    second_px: np.ndarray
    held: np.ndarray
    """Held back for the check. bool (n,)"""
    found: int
    """Points in common before thinning."""


def match(first: int, second: int, a: Look, b: Look, fewest: int) -> Pair | None:
    """Points in common of two frames, or None where there are fewer than ``fewest`` that move as one plane."""
    if min(len(a.words), len(b.words)) < max(2, fewest):
        return None
    near, back = _likest(a.words, b.words)
    mutual = np.array([i for i in np.flatnonzero(near >= 0) if back[near[i]] == i], int)
    if len(mutual) < fewest:
        return None
    p, q = a.points_px[mutual], b.points_px[near[mutual]]
    H, inside = cv2.findHomography(p, q, cv2.USAC_MAGSAC, MISS_STEPS * max(a.step_px, b.step_px), maxIters=5000)
    if H is None:
        return None
    kept = inside.ravel().astype(bool)
    if kept.sum() < fewest or not _sane(H, p[kept]):
        return None
    p, q = p[kept], q[kept]
    thin = _spread(p, MOST_KEPT)
    held = np.zeros(len(thin), bool)
    held[CHECKED - 1 :: CHECKED] = True
    return Pair(first, second, p[thin], q[thin], held, int(kept.sum()))


def _likest(words: np.ndarray, others: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Index of the plainly likest other point, or -1, for each (n,); and the other way, plainly or not (m,)."""
    a, b = words.astype(np.float32), others.astype(np.float32)
    # squares of distances less a part that is the same for a whole row
    far = (b**2).sum(1) - 2 * a @ b.T
    own = (a**2).sum(1)
    back = np.argmin((far + own[:, None]).T.copy(), axis=1)
    line = np.arange(len(a))
    best = np.argmin(far, axis=1)
    nearest = far[line, best] + own
    far[line, best] = np.inf
    second = far.min(axis=1) + own
    return np.where(nearest < ALIKE**2 * second, best, -1), back


def _sane(H: np.ndarray, points: np.ndarray) -> bool:
    """Whether it is a map between two pictures taken from above: scale alike, and not mirrored."""
    middle = points.mean(axis=0)
    step = 10.0 * np.array([[0, 0], [1, 0], [0, 1]])
    there = cv2.perspectiveTransform((middle + step)[None], H)[0]
    jacobian = (there[1:] - there[0]).T / 10
    area = np.linalg.det(jacobian)
    sides = np.linalg.svd(jacobian, compute_uv=False)
    limit = LARGEST_CHANGE
    return bool(1 / limit**2 < area < limit**2 and sides[0] < 1.5 * sides[1])


def _spread(points: np.ndarray, most: int) -> np.ndarray:
    """Indices of at most so many points, taken in turn from the cells of a grid over them."""
    if len(points) <= most:
        return np.arange(len(points))
    low, size = points.min(axis=0), np.ptp(points, axis=0) + 1e-9
    cell = np.floor((points - low) / size * 11.999).astype(int)
    number = cell[:, 0] * 12 + cell[:, 1]
    order = np.argsort(number, kind="stable")
    ranks = np.empty(len(points), int)
    counts = np.bincount(number, minlength=144)
    ranks[order] = np.arange(len(points)) - np.repeat(np.cumsum(counts) - counts, counts)
    return np.sort(np.lexsort((number, ranks))[:most])
