"""The networks that ship, and pictures as they take them: squares of two by two pixels with their pixels as channels.

A convolution that strides over pixels runs at half the speed of one that does not; this way no network needs one.
"""

from __future__ import annotations

import gzip
from functools import cache
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np

PATCH_PX = 2
"""Side of a square: a cell of heat. [px]"""


def said_of(rgb: np.ndarray, others: np.ndarray, network: str) -> np.ndarray:
    """What a network says of a picture: crop stem and weed, way to the stem and its error, as ``heat.Heat`` holds them.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
        Height and width multiples of 16.
    others : (k, h / 2, w / 2) array
        Lean along x and y, of strips also how coarse a pixel is.
    network : str
        Name of one that ships with the package, or the path of an ONNX file.

    Returns
    -------
    (5, h / 2, w / 2) float32
    """
    net = network_of(network)
    net.setInput(planes_of(rgb, others))
    return np.asarray(net.forward()[0])


def planes_of(rgb: np.ndarray, others: np.ndarray) -> np.ndarray:
    """A picture as planes, colour by colour and line by line; as ``said_of``. (1, 12 + k, h / 2, w / 2) float32"""
    h, w = (n // PATCH_PX for n in rgb.shape[:2])
    n = PATCH_PX**2
    x = np.empty((1, 3 * n + len(others), h, w), np.float32)
    # a line of a square holds its pixels, each with its colours: one transposition makes planes of them
    parts = cv2.transpose(np.ascontiguousarray(rgb).reshape(-1, 3 * PATCH_PX)).reshape(PATCH_PX, 3, h, PATCH_PX, w)
    np.multiply(
        parts.transpose(1, 3, 0, 2, 4), np.float32(1 / 255), out=x[0, : 3 * n].reshape(3, PATCH_PX, PATCH_PX, h, w)
    )
    x[0, 3 * n :] = others
    return x


@cache
def network_of(name: str) -> cv2.dnn.Net:
    """A network that ships with the package, by its name, or an ONNX file, gzipped or not, by its path."""
    path = Path(name) if "." in name else Path(str(files("standcam.plants") / "weights" / f"{name}.onnx.gz"))
    # the older engine joins convolution, sum and rectifier: a fifth faster here than the one OpenCV 5 takes by itself
    return cv2.dnn.readNetFromONNX(np.frombuffer(onnx_of(path), np.uint8), cv2.dnn.ENGINE_CLASSIC)


def onnx_of(path: Path) -> bytes:
    """Bytes of an ONNX file, unpacked where it is gzipped."""
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data
