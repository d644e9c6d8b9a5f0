"""Corners of a marker from its four edges, to a small part of a pixel.

A corner taken by itself is rounded by blur and lost under a leaf. An edge is long: where it is seen in part,
a line through the part is still the edge. So each edge is crossed by short profiles, a line is put through
the crossings by robust least squares, and corners are where neighbouring lines meet.

Light is blurred by lens and sensor before the camera's tone curve is laid over it; half-way between black
and white lies on the edge only in linear light. Profiles are therefore read in linear light.
"""

from __future__ import annotations

import cv2
import numpy as np

PROFILES = 16
"""Profiles across each edge."""
SAMPLES = 23
"""Samples along each profile."""

_NEXT, _BEFORE = [1, 2, 3, 0], [3, 0, 1, 2]
_PAIRS = np.triu_indices(PROFILES, 4)

LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
"""Linear light of an 8-bit level, by the plain 2.2 power law near sRGB (IEC 61966-2-1)."""


def edge_corners(grey: np.ndarray, quad: np.ndarray, cells: int) -> tuple[np.ndarray, np.ndarray]:
    """Sharpen a marker's corners by its edges.

    Parameters
    ----------
    grey : array (H, W), uint8
        The photo or a part of it.
    quad : array (4, 2)
        Corners known to about a third of a cell, in order around the marker. [px]
    cells : int
        Cells along a side, border included; the border is black, the surround light.

    Returns
    -------
    corners : array (4, 2)
        [px]
    weights : array (4,)
        1 where both edges of the corner are seen well, less where they are seen in part, 0 where one is lost.
    """
    quad = np.asarray(quad, float)
    share = np.zeros(4)
    for _ in range(3):
        shifts, share = _edge_shifts(grey, quad, cells)
        if shifts is None:
            return quad, np.zeros(4)
        moved = _meet(quad, shifts)
        step = float(np.abs(moved - quad).max())
        quad = moved
        # profiles laid about a wrong place see too little of the edge: look again from the better one
        if step < max(0.15 * float(np.linalg.norm(quad[2] - quad[0])) / cells, 0.5):
            break
    # half an edge seen is as good as any; below that trust falls, and under a quarter there is no line
    edge = np.clip((share - 0.25) / 0.25, 0, 1)
    return quad, np.minimum(edge, edge[_BEFORE])


def _edge_shifts(grey: np.ndarray, quad: np.ndarray, cells: int) -> tuple[np.ndarray | None, np.ndarray]:
    """Outward shift of each edge at start and end (4, 2) [px], and share of profiles on it (4,)."""
    a, b = quad, quad[_NEXT]
    along = b - a
    length = np.linalg.norm(along, axis=1, keepdims=True)
    side = float(length.mean())
    cell = side / cells
    if not np.isfinite(side) or cell < 1.5:
        return None, np.zeros(4)
    outward = along[:, ::-1] * [1, -1] / np.maximum(length, 1e-9)
    if ((quad - quad.mean(0)) * outward).sum() < 0:
        outward = -outward
    t = np.linspace(0.08, 0.92, PROFILES)
    s = np.linspace(-0.75, 0.9, SAMPLES) * cell
    spots = (
        a[:, None, None]
        + along[:, None, None] * t[None, :, None, None]
        + outward[:, None, None] * s[None, None, :, None]
    )
    x0, y0 = np.floor(spots.reshape(-1, 2).min(0)).astype(int) - 1
    x1, y1 = np.ceil(spots.reshape(-1, 2).max(0)).astype(int) + 2
    h, w = grey.shape
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, w), min(y1, h)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return None, np.zeros(4)
    light = LINEAR[grey[y0:y1, x0:x1]]
    at = (spots.reshape(4 * PROFILES, SAMPLES, 2) - [x0, y0]).astype(np.float32)
    seen = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1)
    outside = (seen < 0).any(1)
    dark = seen[:, s < -0.3 * cell].mean(1)
    bright = seen[:, s > 0.35 * cell].mean(1)
    contrast = bright - dark
    over = seen > (0.5 * (bright + dark))[:, None]
    # the rise nearest to where the edge is expected
    rise = over[:, 1:] & ~over[:, :-1]
    nearness = np.where(rise, np.abs(s[:-1])[None], np.inf)
    k = nearness.argmin(1)
    row = np.arange(len(seen))
    low, high = seen[row, k], seen[row, k + 1]
    shift = s[k] + (0.5 * (bright + dark) - low) / np.where(high > low, high - low, 1) * (s[1] - s[0])
    good = rise.any(1) & ~outside & (contrast > 0.02)
    if good.any():
        good &= contrast > 0.3 * np.median(contrast[good])
    lines, share = _robust_lines(t, shift.reshape(4, PROFILES), good.reshape(4, PROFILES), max(0.05 * cell, 0.15))
    ends = np.c_[lines[:, 0], lines.sum(1)]
    return np.clip(ends, -0.7 * cell, 0.7 * cell), share


def _robust_lines(t: np.ndarray, d: np.ndarray, good: np.ndarray, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    """Lines d = p + q t through most of the good points of each row, and the share of points on them.

    (m,), (n, m), (n, m), [px] -> (n, 2), (n,)
    """
    # start from the pair of points that most others agree with: a leaf bends a run of crossings, not all of
    # them
    i, j = _PAIRS
    q = (d[:, j] - d[:, i]) / (t[j] - t[i])
    p = d[:, i] - q * t[i]
    misfit = np.abs(d[:, None] - p[:, :, None] - q[:, :, None] * t)
    cost = (np.minimum(misfit, 2 * tolerance) * good[:, None]).sum(2)
    cost[~(good[:, i] & good[:, j])] = np.inf
    rows = np.arange(len(d))
    best = cost.argmin(1)
    keep = (misfit[rows, best] < 2 * tolerance) & good
    line = np.c_[p[rows, best], q[rows, best]]
    for _ in range(3):
        n = np.maximum(keep.sum(1), 1)
        tm, dm = (keep * t).sum(1) / n, (keep * d).sum(1) / n
        u = (t - tm[:, None]) * keep
        slope = (u * d).sum(1) / np.maximum((u * u).sum(1), 1e-9)
        line = np.c_[dm - slope * tm, slope]
        off = np.abs(d - line[:, :1] - line[:, 1:] * t)
        # as tight as the edge is sharp: 3.7 median distances are 2.5 standard deviations
        # (the median by sorting: nanmedian costs more than all the rest)
        usual = np.sort(np.where(keep, off, np.inf), axis=1)[rows, keep.sum(1) // 2][:, None]
        keep = (off < np.clip(3.7 * usual, 0.12, 2 * tolerance)) & good
    far = np.where(keep, t, -np.inf).max(1) - np.where(keep, t, np.inf).min(1)
    lost = (keep.sum(1) < 4) | ~np.isfinite(cost[rows, best])
    share = keep.mean(1) * np.clip(2 * far, 0, 1)
    return np.where(lost[:, None], 0.0, line), np.where(lost, 0.0, share)


def _meet(quad: np.ndarray, shifts: np.ndarray) -> np.ndarray:
    """Corners where the shifted edges meet."""
    a, b = quad, quad[_NEXT]
    along = b - a
    outward = along[:, ::-1] * [1, -1] / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    if ((quad - quad.mean(0)) * outward).sum() < 0:
        outward = -outward
    start, end = a + outward * shifts[:, :1], b + outward * shifts[:, 1:]
    # edge i starts at corner i: it meets the edge before it there. p + s u = q + r v, solved for s by cross
    # products
    p, u = start, end - start
    q, v = p[_BEFORE], u[_BEFORE]
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    gap = q - p
    ahead = (gap[:, 0] * v[:, 1] - gap[:, 1] * v[:, 0]) / np.where(cross == 0, 1, cross)
    return np.where((np.abs(cross) > 1e-9)[:, None], p + ahead[:, None] * u, quad)
