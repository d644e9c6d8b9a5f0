"""Is a photo too blurred or too bright to trust? Cheap measures on very small copies, which need no ground scale.

Thresholds were chosen by us on rendered field photos that were degraded on purpose (2200 px longer side, some 2 m of
row across; Gaussian blur to 8 px, motion blur to 25 px, noise of 0 to 6 levels, JPEG quality 75, exposure to 3 stops
too bright); the notes give the distributions.
"""

from __future__ import annotations

import cv2
import numpy as np

from standcam import flags
from standcam.images.reduce import HALVED_FROM, halved, reduce

WORKING_SIZE_PX = 400
"""Longer side of the copy that is judged. So small because only blur of some millimetres on the ground harms
a count, and because noise, which looks like sharpness, has gone from it. [px]"""

MIN_SHARPNESS = 0.40
"""Below it a photo is called blurred. Sharp photos had 0.47 to 0.59, a blur of 4 px 0.36 to 0.42, of 6 px 0.31 to
0.36; heavy noise adds 0.02 to 0.04. Wrong for soil as smooth as a table and for close-ups of leaves. [1]"""

FINER_SIZE_PX, FINER_SHARPNESS = 600, 0.355
"""The same on a finer copy, which tells blur better but sees noise. By way of a copy of 1600 px, sharp photos had
0.42 to 0.53, a blur of 2 px at least 0.37, of 3 px 0.33 to 0.38, of 4 px 0.31 to 0.34, motion over 15 px 0.30 to 0.35;
generated scenes 0.54 to 0.59 sharp and 0.31 to 0.32 with 4 px of 1600. Counts suffer, and boards are lost, from 4 px
on. Under heavy noise (6 levels) a blur of 4 px may pass for sharp. [px], [1]"""

MAX_BURNT = 0.15
"""Above it a photo is called overexposed. Boards and straw alone burnt at most 0.11 at 1.6 times the right
exposure; at 2.5 times, where soil and leaves lose their colour too, half of the photos lay above 0.13. [1]"""

MAX_CLIPPED = 0.30
"""Share of pixels burnt out in any one channel, by which green is told from soil no longer. Right exposure had at most
0.05, 1 stop too bright 0.26; half of the photos had 0.27 at 1.7 stops and 0.53 at 2.4. Wrong for soil as bright as
paper. [1]"""

BURNT_LEVEL = 250
"""A pixel with no channel under this is burnt out: 5 levels of room for the rounding of JPEG. [levels]"""


def quality_flags(rgb: np.ndarray) -> int:
    """Bits of the flags ``blurred`` and ``overexposed`` that a photo earns.

    Parameters
    ----------
    rgb : array (H, W, 3), uint8
        The photo, or a reduced copy with a longer side of at least 600 px; below that, blur is told less well.
    """
    if max(rgb.shape[:2]) >= HALVED_FROM * FINER_SIZE_PX:  # the first step of both, taken once
        rgb = halved(rgb)
    finer, small = reduce(rgb, FINER_SIZE_PX), reduce(rgb, WORKING_SIZE_PX)
    bits = 0
    if sharpness(small) < MIN_SHARPNESS or sharpness(finer) < FINER_SHARPNESS:
        bits |= flags.bit("blurred")
    if burnt_share(small) > MAX_BURNT or clipped_share(small) > MAX_CLIPPED:
        bits |= flags.bit("overexposed")
    return bits


def sharpness(rgb: np.ndarray) -> float:
    """Grey step between neighbours relative to that over four pixels, in the blunter of the two directions.

    A ratio of steps does not change with light or contrast. White noise gives 1, a scene without detail finer
    than some pixels 0.25. A flat picture has no sharpness to judge: NaN, which is below no threshold.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    if min(grey.shape) < 8:
        return float("nan")
    down = [_mean_step(grey[k:], grey[:-k]) for k in (1, 4)]
    across = [_mean_step(grey[:, k:], grey[:, :-k]) for k in (1, 4)]
    return float(np.min([fine / coarse if coarse > 0.05 else np.nan for fine, coarse in (down, across)]))


def _mean_step(grey: np.ndarray, neighbours: np.ndarray) -> float:
    return float(cv2.mean(cv2.absdiff(grey, neighbours))[0])


def burnt_share(rgb: np.ndarray) -> float:
    """Share of pixels that are white in all channels. [1]"""
    red, green, blue = cv2.split(rgb)
    return _share_from(BURNT_LEVEL, cv2.min(cv2.min(red, green), blue))


def clipped_share(rgb: np.ndarray) -> float:
    """Share of pixels that are burnt out in at least one channel. [1]"""
    red, green, blue = cv2.split(rgb)
    return _share_from(BURNT_LEVEL, cv2.max(cv2.max(red, green), blue))


def _share_from(level: int, picture: np.ndarray) -> float:
    """Share of values of at least this level. [1]"""
    return float(np.count_nonzero(picture >= level)) / picture.size
