"""Looks of found plants, by which a person's labels may tell crop from weed better than the locator does."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd

from standcam.ground.map import GroundMap
from standcam.plants.nearest import nearest_points
from standcam.plants.stems import Seen
from standcam.vegetation.segment import BLOCK_PX, Vegetation

LOOKS = ("area", "leaf_width", "spread", "red", "blue")
"""Logarithms of green area, of how wide leaves are and of how far they reach for their area; red and blue of them as
logarithms of the ratio to green. NaN where no green is near."""
TRAITS = ("off_line_cm", "weed_near", *LOOKS)

_NEAR_CM = 1.5
"""Distance over which a weed peak counts as near: about that of two peaks on one small plant. [cm]"""


def traits(
    places_cm: np.ndarray, off_line_cm: np.ndarray, seen: Seen, vegetation: Vegetation, ground: GroundMap
) -> pd.DataFrame:
    """Traits of found plants.

    Parameters
    ----------
    places_cm : (n, 2) array
        Stem bases on the ground. [cm]
    off_line_cm : (n,) array
        Their distance across the row line. [cm]
    seen, vegetation, ground

    Returns
    -------
    DataFrame
        Columns ``TRAITS``, one row a plant, in order. ``weed_near`` is the probability of the nearest weed peak, less
        with distance.
    """
    looks = _looks(places_cm, vegetation, ground)
    return pd.DataFrame({"off_line_cm": np.abs(off_line_cm), "weed_near": _weed_near(places_cm, seen), **looks})[
        list(TRAITS)
    ]


def _weed_near(places_cm: np.ndarray, seen: Seen) -> np.ndarray:
    if not len(places_cm) or not len(seen.weed_cm):
        return np.zeros(len(places_cm))
    apart = np.linalg.norm(places_cm[:, None] - seen.weed_cm[None], axis=2)
    return (seen.weed_probability * np.exp(-apart / _NEAR_CM)).max(axis=1)


def _looks(
    places_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, reach_cm: float = 10.0
) -> dict[str, np.ndarray]:
    """Means over the green that is nearer to a plant's stem than to any other's."""
    n = len(places_cm)
    missing = {name: np.full(n, np.nan) for name in LOOKS}
    y, x, px = vegetation.block_places()
    cm = ground.to_ground(px)
    seen = np.isfinite(cm).all(axis=1)
    if not n or not seen.any():
        return missing
    apart, owner = (found[:, 0] for found in nearest_points(cm[seen], places_cm))
    close = apart < reach_cm
    apart, owner, y, x = apart[close], owner[close], y[seen][close], x[seen][close]
    count = vegetation.blocks[y, x].astype(float)

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(owner, weights=values, minlength=n)

    green = total(count)
    cm_per_px = ground.cm_per_px(ground.to_pixels(places_cm)) * vegetation.factor
    r, g, b = (total(_in_blocks(vegetation, vegetation.rgb[..., k].astype(np.float32))[y, x]) for k in range(3))
    depth = cv2.distanceTransform(vegetation.mask.view(np.uint8), cv2.DIST_L2, 3)
    width = total(_in_blocks(vegetation, depth)[y, x])
    with np.errstate(invalid="ignore", divide="ignore"):
        area = green * cm_per_px**2
        looks = {
            "area": np.log(area),
            # over a leaf w wide the mean distance to its edge is w / 4
            "leaf_width": np.log(4 * width / green * cm_per_px),
            "spread": np.log(np.sqrt(total(count * apart**2) / green / area)),
            "red": np.log((r + green) / (g + green)),
            "blue": np.log((b + green) / (g + green)),
        }
    return {name: np.where((green > 0) & np.isfinite(looks[name]), looks[name], np.nan) for name in LOOKS}


def _in_blocks(vegetation: Vegetation, values: np.ndarray) -> np.ndarray:
    """Sum of values of plant pixels in each square of ``vegetation.blocks``. (h', w')"""
    h, w = (size // BLOCK_PX for size in vegetation.mask.shape)
    plant = np.where(vegetation.mask, values, 0)[: h * BLOCK_PX, : w * BLOCK_PX]
    return plant.reshape(h, BLOCK_PX, w, BLOCK_PX).sum(axis=(1, 3))
