"""Likeliest places of stems, weighed against one another: a plant has one stem, and is about as large as others."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.plants.nearest import nearest_points
from standcam.plants.shape_places import MEASURES, SHEET_CM, Places

LOWEST = 0.12
"""Places less likely than this are no peaks."""
_RANKED_CM = 0.8
"""A stem stands so much nearer to the camera's foot, for each cm/cm of lean, than the place that shows it. [cm]"""


@dataclass(frozen=True)
class Peaks:
    """Places likelier than all around them, the likeliest first."""

    index: np.ndarray
    """Of the places. int (n,)"""
    logit: np.ndarray
    """Of a stem there, as far as its own surroundings tell. (n,)"""
    at_cm: np.ndarray
    """Middle of the likely cells there, along the sheet's axes. (n, 2) [cm]"""
    base_cm: np.ndarray
    """First guess of where the stem meets the soil. (n, 2) [cm]"""

    def __len__(self) -> int:
        return len(self.index)


def peaks_of(places: Places, probability: np.ndarray) -> Peaks:
    """Places whose probability, smoothed over the neighbouring cells, is the highest of these.

    Parameters
    ----------
    places : Places
    probability : (n,) array
        Of a stem, at each place.
    """
    if not len(places):
        return Peaks(np.empty(0, int), np.empty(0), np.empty((0, 2)), np.empty((0, 2)))
    y, x = places.cell.T
    sheet = np.zeros((y.max() + 2, x.max() + 2), np.float32)
    held = sheet.copy()
    sheet[y, x], held[y, x] = probability, 1
    kernel = cv2.getGaussianKernel(5, 1.0).astype(np.float32)
    near = cv2.sepFilter2D(sheet, -1, kernel, kernel, borderType=cv2.BORDER_CONSTANT)
    near = held * near / (cv2.sepFilter2D(held, -1, kernel, kernel, borderType=cv2.BORDER_CONSTANT) + 1e-6)
    # no two places are equal, so that one of a plateau remains
    near[y, x] += ((y * near.shape[1] + x) % 977).astype(np.float32) * np.float32(1e-7)
    smooth = near[y, x]
    top = cv2.dilate(near, np.ones((3, 3), np.uint8))[y, x]
    index = np.flatnonzero((smooth >= top) & (smooth >= LOWEST))
    index = index[np.argsort(-smooth[index], kind="stable")]
    p = np.clip(smooth[index], 1e-3, 1 - 1e-3).astype(float)
    at = places.xy_cm[index].astype(float)
    weight = sheet**2
    total = cv2.blur(weight, (3, 3))[y[index], x[index]] + 1e-9
    for k in (0, 1):
        moment = sheet * 0
        moment[y, x] = places.xy_cm[:, k]
        at[:, k] = cv2.blur(moment * weight, (3, 3))[y[index], x[index]] / total
    return Peaks(index, np.log(p / (1 - p)), at, at - _RANKED_CM * places.lean[index])


BASE_MEASURES = (
    "lean",
    "half_width",
    "below",
    "above",
    "pull_near",
    "pull_mid",
    "back",
    "lean_back",
    "behind_1",
    "region",
)
"""Measures of a place by which the base is moved along the lean, see ``bases``."""


def bases(places: Places, peaks: Peaks, values: np.ndarray, weights: tuple[float, ...]) -> np.ndarray:
    """Bases of the peaks: what shows of a stem leans out of the picture's middle, its base lies on the other side.

    Parameters
    ----------
    places, peaks
    values : array
        ``measures`` of the places.
    weights : tuple
        Way along the lean: constant, and for each of ``BASE_MEASURES``. [cm]

    Returns
    -------
    (n, 2) array
        Along the sheet's axes. [cm]
    """
    chosen = values[peaks.index][:, [MEASURES.index(name) for name in BASE_MEASURES]]
    way = np.clip(weights[0] + chosen @ np.array(weights[1:]), -4, 4)
    lean = places.lean[peaks.index]
    return peaks.at_cm + (way / np.maximum(np.linalg.norm(lean, axis=1), 1e-6))[:, None] * lean


PEAK_MEASURES = (
    "logit", "near", "near_above", "near_sized", "near_sized_above", "same", "region_near", "region_near_above",
    "region_share", "spare", "own_share", "own_part", "red", "green", "blue", "red_off", "green_off", "blue_off",
    "light", "bridge", "bridge_near", "half_width", "widest", "typical", "own", "rank", "later", "lean",
    "due", "width", "leaves", "region_due", "region_leaves",
)  # fmt: skip
"""What is measured of each peak; see ``peak_measures``."""


def peak_measures(places: Places, peaks: Peaks) -> np.ndarray:
    """What speaks for a peak being a crop stem of its own, in the order of ``PEAK_MEASURES``. (n, len(PEAK_MEASURES))

    ``near``: closeness of the nearest likelier peak, as it is and against the size of plants (``_sized``), in the same
    region (``same``, ``region_near``), and by how much likelier that is (``_above``); ``bridge`` plant on the way to
    it. ``region_share`` area of the region and ``own`` of the plant nearest to the peak, against the ``typical`` plant
    of the photo (``own_share``, ``own_part``); ``spare`` plants' worth of region less likelier peaks in it (``rank``);
    ``due`` plants' worth for each peak, ``leaves`` area against leaf width. Colours and ``light`` against the photo's
    plants.
    """
    n = len(peaks)
    if not n:
        return np.empty((0, len(PEAK_MEASURES)))
    at, region = places.xy_cm[peaks.index], places.region[peaks.index]
    away, which = nearest_points(places.xy_cm, at, min(4, n))
    # plant of another region is a neighbour's rather
    owner = which[np.arange(len(places)), (away + 3.0 * (region[which] != places.region[:, None])).argmin(axis=1)]
    per_place = places.region_cm2 / np.bincount(places.region)[places.region]
    own = np.bincount(owner, per_place, n)
    whole = places.region_cm2[peaks.index]
    p = 1 / (1 + np.exp(-peaks.logit))
    stems = np.bincount(region, p)[region]
    per_stem = whole / np.maximum(stems, 0.7)
    typical = _weighted_median(per_stem, p * per_stem)
    size = np.sqrt(typical)

    apart = np.linalg.norm(peaks.base_cm[:, None] - peaks.base_cm[None], axis=2)
    above = np.tril(np.ones((n, n), bool), -1)
    nearest, gap, lead = _nearest(apart, above, peaks.logit)
    _, region_gap, region_lead = _nearest(apart, above & (region[:, None] == region[None]), peaks.logit)
    rivals = np.bincount(region)[region]
    rank = (above & (region[:, None] == region[None])).sum(axis=1)
    near, sized = np.exp(-gap / 3), np.exp(-gap / (1.5 * size))
    region_near = np.exp(-region_gap / 4)
    way = np.linspace(0, 1, 12)[None, :, None]
    line = np.round((at[:, None] * (1 - way) + at[nearest][:, None] * way) / SHEET_CM).astype(int)
    bridge = (places.mask[line[..., 1], line[..., 0]] > 127).mean(axis=1)

    count = np.maximum(np.bincount(owner, minlength=n), 1)
    level = places.log_rgb.mean(axis=1)
    hue = places.log_rgb - level[:, None]
    hue = hue - np.median(hue, axis=0)
    colour = np.stack([np.bincount(owner, hue[:, k], n) / count for k in range(3)], axis=1)
    light = np.bincount(owner, level, n) / count - np.median(level)
    widest = np.zeros(n)
    np.maximum.at(widest, owner, places.half_width_cm)
    usual = _weighted_median(widest, own)
    columns = [
        peaks.logit, near, near * lead, sized, sized * lead, (region[nearest] == region) & (gap < np.inf),
        region_near, region_near * region_lead, np.log(whole / typical), np.clip(whole / typical - rank, -3, 3),
        np.log(own / typical + 0.02), np.clip(own / typical, 0, 2), *colour.T, *np.abs(colour.T), light,
        bridge, bridge * near, places.half_width_cm[peaks.index], np.log(widest / usual + 0.02),
        np.full(n, np.log(typical)), np.log(own + 0.05), rank, np.minimum(rank, 1),
        np.linalg.norm(places.lean[peaks.index], axis=1), np.log(whole / typical / rivals),
        np.log(widest), np.log(own / widest**2 + 0.1), np.log(np.maximum(whole / typical, 0.2)) - np.log(stems + 0.2),
        np.log(whole / rivals / usual**2),
    ]  # fmt: skip
    return np.stack(columns, axis=1).astype(float)


def _nearest(apart: np.ndarray, allowed: np.ndarray, logit: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Nearest of the allowed, its distance (infinite when there is none) and how much likelier it is. (n,) each"""
    distance = np.where(allowed, apart, np.inf)
    nearest = distance.argmin(axis=1)
    gap = distance[np.arange(len(apart)), nearest]
    return nearest, gap, np.where(np.isfinite(gap), logit[nearest] - logit, 0.0)


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return max(float(values[order][np.searchsorted(total, total[-1] / 2)]), 1e-3)


def shared_out(probability: np.ndarray, base_cm: np.ndarray, region: np.ndarray, reach_cm: float = 3.5) -> np.ndarray:
    """Probability that a stem is nearest to each peak, from that of its standing just there.

    Where it is not sure at which of several places of one plant the stem stands, each is unlikely by itself, and yet
    the plant is there. So the likeliest takes what it lacks to certainty from the others of its region within reach,
    the nearest first; what is left to those tells of further plants. The sum stays. (n,)
    """
    left, out = probability.astype(float), np.zeros(len(probability))
    open_ = np.ones(len(left), bool)
    for _ in range(len(left)):
        k = int(np.argmax(np.where(open_, left, -1)))
        if not open_[k] or left[k] < 0.02:
            break
        open_[k] = False
        away = np.linalg.norm(base_cm - base_cm[k], axis=1)
        others = np.flatnonzero(open_ & (away < np.where(region == region[k], reach_cm, reach_cm / 2)))
        others = others[np.argsort(away[others])]
        taken = np.diff(np.minimum(np.cumsum(left[others]), 1 - left[k]), prepend=0.0)
        left[others] -= taken
        out[k] = left[k] + taken.sum()
    return out
