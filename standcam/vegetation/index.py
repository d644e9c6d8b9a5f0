"""Colour indices of green plant on soil, as pure array functions.

All take 8-bit or float R, G, B arrays of one shape and give a float array of that shape.
"""

from __future__ import annotations

import numpy as np


def excess_green(r: np.ndarray, g: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Excess green on raw levels, ``2 G - R - B`` (Woebbecke et al. 1995, Trans. ASAE 38:259-269). [levels]"""
    r, g, b = (np.asarray(x, np.float32) for x in (r, g, b))
    return 2 * g - r - b


def green_minus_red(r: np.ndarray, g: np.ndarray, b: np.ndarray) -> np.ndarray:
    """``G - R``: sets yellow straw (G below R) apart from yellowish leaf, which excess green cannot. [levels]

    The numerator of the normalised green-red difference index (Tucker 1979, Remote Sens. Environ. 8:127-150).
    """
    r, g = (np.asarray(x, np.float32) for x in (r, g))
    return g - r


def brightness(r: np.ndarray, g: np.ndarray, b: np.ndarray) -> np.ndarray:
    """``(R + 2 G + B) / 4``, the weights of a Bayer mosaic. [levels]"""
    r, g, b = (np.asarray(x, np.float32) for x in (r, g, b))
    return (r + 2 * g + b) / 4
