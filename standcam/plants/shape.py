"""Stems by the shape of plants alone, without any learned network."""

from __future__ import annotations

import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.stems import Seen
from standcam.plants.view import View
from standcam.settings import StemSettings
from standcam.vegetation.segment import Vegetation


def look_over(
    field_cm: np.ndarray,
    vegetation: Vegetation,
    ground: GroundMap,
    view: View,
    settings: StemSettings | None = None,
) -> Seen:
    """Regions of plant, each one stem under its middle."""
    import cv2

    settings = settings or StemSettings()
    count, _, stats, middles = cv2.connectedComponentsWithStats(vegetation.mask.view(np.uint8))
    if count <= 1:
        return Seen.nothing()
    cm = ground.to_ground(vegetation.to_photo(middles[1:]))
    keep = np.isfinite(cm).all(axis=1) & (stats[1:, 4] > 40)
    cm = cm[keep]
    return Seen(cm, np.full(len(cm), 0.5), np.full(len(cm), 1.0), np.empty((0, 2)), np.empty(0), (0.0, 1.0, 0.0, 0.0))
