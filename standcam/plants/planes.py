"""Pictures as the strips' network takes them, and its heat as others read it.

A patch of four by four pixels is one cell of the network; its pixels are channels, colour by colour and line by line.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from standcam.plants.heat import network_of, onnx_of

PATCH_PX = 4
"""Side of a patch. [px]"""
FINER = 2
"""Cells of heat to a patch, along one side."""


def planes_of(rgb: np.ndarray, others: np.ndarray) -> np.ndarray:
    """A picture as planes.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
        Height and width multiples of PATCH_PX.
    others : (k, h / 4, w / 4) float32
        Lean along x and y, and how coarse a pixel is.

    Returns
    -------
    (1, 48 + k, h / 4, w / 4) float32
    """
    h, w = (n // PATCH_PX for n in rgb.shape[:2])
    n = PATCH_PX**2
    x = np.empty((1, 3 * n + len(others), h, w), np.float32)
    # a line of a patch holds its pixels, each with its colours: one transposition makes planes of them
    parts = cv2.transpose(rgb.reshape(-1, 3 * PATCH_PX)).reshape(PATCH_PX, 3, h, PATCH_PX, w)
    np.multiply(
        parts.transpose(1, 3, 0, 2, 4), np.float32(1 / 255), out=x[0, : 3 * n].reshape(3, PATCH_PX, PATCH_PX, h, w)
    )
    x[0, 3 * n :] = others
    return x


def heat_of(out: np.ndarray) -> np.ndarray:
    """What the network gives, (outputs * 4, h, w), with each of the four cells in its place: (outputs, 2 h, 2 w)."""
    n, h, w = len(out) // FINER**2, *out.shape[1:]
    parts = out.reshape(n, FINER, FINER, h, w)
    heat = np.empty((n, h, FINER, w, FINER), np.float32)
    for dy in range(FINER):
        for dx in range(FINER):
            heat[:, :, dy, :, dx] = parts[:, dy, dx]
    return heat.reshape(n, FINER * h, FINER * w)


def look_at(rgb: np.ndarray, others: np.ndarray, network: str) -> np.ndarray:
    """What a network says of a picture. As :func:`planes_of` and :func:`standcam.plants.heat.network_of`. (5, h, w)"""
    net = network_of(network)
    if _takes_pixels(network):
        h, w = rgb.shape[:2]
        x = np.empty((1, 6, h, w), np.float32)
        for k in range(3):
            np.multiply(rgb[..., k], np.float32(1 / 255), out=x[0, k])
        x[0, 3:] = others.repeat(PATCH_PX, 1).repeat(PATCH_PX, 2)
        net.setInput(x)
        return np.asarray(net.forward()[0])
    net.setInput(planes_of(rgb, others))
    return heat_of(net.forward()[0])


@cache
def _takes_pixels(network: str) -> bool:
    """Whether a network is of the older kind, whose first convolution looks at pixels."""
    return b"/stem/stem.0/" not in onnx_of(network)
