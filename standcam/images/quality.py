"""Is a photo too blurred or too bright to trust? Two cheap measures on a very small copy.

Both thresholds were chosen by us on rendered field photos that were degraded on purpose (2200 px longer
side, 2 m of row across; Gaussian blur of 0 to 8 px, motion blur of 25 px, sensor noise of 3 levels, exposure
times 1 to 3.5); the notes give the distributions.
"""

from __future__ import annotations

import cv2
import numpy as np

from standcam import flags
from standcam.images.reduce import reduce

WORKING_SIZE_PX = 400
"""Longer side of the copy that is judged. So small because only blur of some millimetres on the ground harms
a count, and because noise, which looks like sharpness, has gone from it. [px]"""

MIN_SHARPNESS = 0.40
"""Below it a photo is called blurred. Sharp photos had 0.44 to 0.59, a blur of 5 px (a quarter percent of the
picture's length) 0.33 to 0.38, motion of 25 px 0.31 to 0.35; a blur of 4 px is caught in most photos, of 3 px
in some. Wrong for soil as smooth as a table and for close-ups of leaves. [1]"""

MAX_BURNT = 0.15
"""Above it a photo is called overexposed. Boards and straw alone burnt at most 0.11 at 1.6 times the right
exposure; at 2.5 times, where soil and leaves lose their colour too, half of the photos lay above 0.13. [1]"""

BURNT_LEVEL = 250
"""A pixel with no channel under this is burnt out: 5 levels of room for the rounding of JPEG. [levels]"""


def quality_flags(rgb: np.ndarray) -> int:
    """Bits of the flags ``blurred`` and ``overexposed`` that a photo earns.

    Parameters
    ----------
    rgb : array (H, W, 3), uint8
        The photo, or a reduced copy with a longer side of at least 400 px.
    """
    small = reduce(rgb, WORKING_SIZE_PX)
    bits = 0
    if sharpness(small) < MIN_SHARPNESS:
        bits |= flags.bit("blurred")
    if burnt_share(small) > MAX_BURNT:
        bits |= flags.bit("overexposed")
    return bits


def sharpness(rgb: np.ndarray) -> float:
    """Grey step between neighbours relative to that over four pixels, in the blunter of the two directions.

    A ratio of steps does not change with light or contrast. White noise gives 1, a scene without detail finer
    than some pixels 0.25. A flat picture has no sharpness to judge: NaN, which is below no threshold.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if min(grey.shape) < 8:
        return float("nan")
    ratios = []
    for g in (grey, grey.T):
        coarse = np.abs(g[4:] - g[:-4]).mean()
        ratios.append(np.abs(g[1:] - g[:-1]).mean() / coarse if coarse > 0.05 else np.nan)
    return float(np.min(ratios))


def burnt_share(rgb: np.ndarray) -> float:
    """Share of pixels that are white in all channels. [1]"""
    return float((rgb.min(axis=2) >= BURNT_LEVEL).mean())
