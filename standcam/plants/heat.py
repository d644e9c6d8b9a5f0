"""Stem heat: a small convolutional network looks at a sheet and says where stems stand, run by OpenCV.

It was trained on path-traced photos and on scenes of this project's generator (``standcam.training``), turned all
the way round, so that it knows no row: rows are found from its stems.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np

from standcam.plants.sheet import Sheet

SHEET_CM = 0.15
"""Pixel of the sheets the network was trained on: no finer than time allows. [cm]"""
COARSEST_SHEET_CM = 0.2
"""Training stretched the sheets by some 13 % either way: this is as coarse as the network has seen often. [cm]"""
STRIDE = 2
"""Sheet pixels to a cell of heat."""
GRANULE_PX = 16
"""Sheets are a multiple of this in both sizes. [px]"""


@dataclass(frozen=True)
class Peaks:
    """Places on a sheet where the heat has a peak, the hottest first."""

    xy_px: np.ndarray
    """Sheet pixels, to a fraction. (n, 2) [px]"""
    probability: np.ndarray
    sd_px: np.ndarray
    """Standard error of a place along one axis, as the network judges it. (n,) [px]"""

    def __len__(self) -> int:
        return len(self.xy_px)


@dataclass(frozen=True)
class Heat:
    """Output of a network over a sheet."""

    crop: np.ndarray
    """Probability of a crop stem in each cell, peaking at stems. (h, w)"""
    weed: np.ndarray
    offset: np.ndarray
    """Way from the cell's middle to the stem. (2, h, w) [cells]"""
    sd: np.ndarray
    """(h, w) [cells]"""

    def crop_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Crop stems at least ``lowest`` likely, no two nearer than ``apart_px``."""
        return self._peaks(self.crop, lowest, apart_px, self.offset)

    def weed_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Weeds likewise."""
        return self._peaks(self.weed, lowest, apart_px, None)

    def _peaks(self, heat: np.ndarray, lowest: float, apart_px: float, offset: np.ndarray | None) -> Peaks:
        top = cv2.dilate(heat, np.ones((3, 3), np.uint8))
        y, x = np.nonzero((heat >= top) & (heat >= lowest))
        order = np.argsort(-heat[y, x], kind="stable")
        y, x = y[order], x[order]
        cells = np.stack([x, y], axis=1).astype(float)
        if offset is not None:
            cells += np.clip(offset[:, y, x].T, -2, 2)
        xy = (cells + 0.5) * STRIDE - 0.5
        keep = apart(xy, apart_px)
        return Peaks(xy[keep], heat[y, x][keep].astype(float), self.sd[y, x][keep].astype(float) * STRIDE)


def look(sheet: Sheet, network: str) -> Heat:
    """Run a network over a sheet.

    Parameters
    ----------
    sheet : Sheet
        Height and width multiples of GRANULE_PX.
    network : str
        Name of one that ships with the package, or the path of an ONNX file.
    """
    h, w = sheet.rgb.shape[:2]
    x = np.empty((1, 5, h, w), np.float32)
    for k in range(3):
        np.multiply(sheet.rgb[..., k], np.float32(1 / 255), out=x[0, k])
    x[0, 3:5] = sheet.lean.transpose(2, 0, 1)
    net = network_of(network)
    net.setInput(x)
    out = net.forward()[0]
    hot = 1 / (1 + np.exp(-np.clip(out[:2], -50, 50)))
    # what the photo does not show holds no stem
    seen = sheet.seen[::STRIDE, ::STRIDE]
    return Heat(hot[0] * seen, hot[1] * seen, out[2:4], np.exp(np.clip(out[4], -3, 2)))


@cache
def network_of(name: str) -> cv2.dnn.Net:
    """A network that ships with the package, by its name, or an ONNX file, gzipped or not, by its path."""
    path = Path(name) if "." in name else Path(str(files("standcam.plants") / "weights" / f"{name}.onnx.gz"))
    data = path.read_bytes()
    if path.suffix == ".gz":
        data = gzip.decompress(data)
    # the older engine joins convolution, sum and rectifier: a fifth faster here than the one OpenCV 5 takes by itself
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8), cv2.dnn.ENGINE_CLASSIC)


def apart(xy: np.ndarray, far: float) -> np.ndarray:
    """Indices of places, first come first kept, no two nearer than ``far``, in the unit of the places."""
    kept: list[int] = []
    for i in range(len(xy)):
        if not kept or np.min(np.sum((xy[kept] - xy[i]) ** 2, axis=1)) >= far**2:
            kept.append(i)
    return np.array(kept, int)
