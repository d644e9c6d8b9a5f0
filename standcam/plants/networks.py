"""The networks that ship, and pictures as they take them: cells of some pixels, with these pixels as channels.

A convolution that strides over pixels runs at half the speed of one that does not; this way no network needs one.
"""

from __future__ import annotations

import gzip
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np


class Cell(NamedTuple):
    """Pixels that are one cell of heat. [px]"""

    down: int
    across: int

    def grid(self, height_px: int, width_px: int) -> tuple[int, int]:
        """Rows and columns of cells of a picture."""
        return height_px // self.down, width_px // self.across

    def middles(self, height_px: int, width_px: int) -> tuple[np.ndarray, np.ndarray]:
        """How far from the picture's edges the middles of cells lie, along x and along y. [px]"""
        rows, columns = self.grid(height_px, width_px)
        return (np.arange(columns) + 0.5) * self.across, (np.arange(rows) + 0.5) * self.down


SHEET_CELL = Cell(2, 2)
"""Of photos."""
ALONG_CELL = Cell(4, 2)
"""Of strips, whose pictures are drawn along the rows: how far along a stem stands is asked for closely, how far beside
the line is not, and half the cells are half the work."""
STEP_PX = 2
"""What ways and errors are told in, whatever the cell. [px]"""
GRANULE_CELLS = 8
"""Pictures are a multiple of this in both sizes. [cells]"""


def said_of(rgb: np.ndarray, others: np.ndarray, network: str, cell: Cell) -> np.ndarray:
    """What a network says of a picture: crop stem and weed, way to the stem and its error, as ``heat.Heat`` holds them.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
        Height and width whole granules.
    others : (k, rows, columns) array
        Cell by cell, lean along x and y, of strips also how coarse a pixel is.
    network : str
        Name of one that ships with the package, or the path of an ONNX file.
    cell : Cell
        Which the network was taught on.

    Returns
    -------
    (5, rows, columns) float32
    """
    net = network_of(network)
    net.setInput(planes_of(rgb, others, cell))
    return np.asarray(net.forward()[0])


def planes_of(rgb: np.ndarray, others: np.ndarray, cell: Cell) -> np.ndarray:
    """A picture as planes, colour by colour and line by line; as ``said_of``. (1, planes, rows, columns) float32"""
    down, across = cell
    h, w = cell.grid(*rgb.shape[:2])
    n = 3 * down * across
    x = np.empty((1, n + len(others), h, w), np.float32)
    # a line of a cell holds its pixels, each with its colours: one transposition makes planes of them
    parts = cv2.transpose(np.ascontiguousarray(rgb).reshape(-1, 3 * across)).reshape(across, 3, h, down, w)
    np.multiply(parts.transpose(1, 3, 0, 2, 4), np.float32(1 / 255), out=x[0, :n].reshape(3, down, across, h, w))
    x[0, n:] = others
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
