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
from standcam.plants.turned import laid, laid_back, mean_of

SHEET_CM = 0.15
"""Pixel of the sheets the network was trained on: no finer than time allows. [cm]"""
COARSEST_SHEET_CM = 0.2
"""Training stretched the sheets by some 13 % either way: this is as coarse as the network has seen often. [cm]"""
STRIDE = 2
"""Sheet pixels to a cell of heat."""
GRANULE_PX = 16
"""Sheets are a multiple of this in both sizes. [px]"""
_AROUND = np.ones((3, 3), np.uint8)
_COLDEST = -50.0
_AT_ONCE = 256


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
    """Output of a network over a sheet, cell by cell."""

    out: np.ndarray
    """Crop stem and weed (logits, peaking at stems), way from the cell's middle to the stem along x and y [cells], and
    the logarithm of its standard error [cells]. (5, h, w) float32"""

    def crop_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Crop stems at least ``lowest`` likely, no two nearer than ``apart_px``."""
        return self._peaks(0, lowest, apart_px)

    def weed_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Weeds likewise, at the middle of their cells."""
        return self._peaks(1, lowest, apart_px)

    def _peaks(self, channel: int, lowest: float, apart_px: float) -> Peaks:
        """Probabilities are worked out at the peaks only: most cells are cold."""
        logit = self.out[channel]
        y, x = np.nonzero((logit >= cv2.dilate(logit, _AROUND)) & (logit >= np.float32(np.log(lowest / (1 - lowest)))))
        order = np.argsort(-logit[y, x], kind="stable")
        y, x = y[order], x[order]
        probability = 1 / (1 + np.exp(-np.clip(logit[y, x].astype(float), -50, 50)))
        cells = np.stack([x, y], axis=1).astype(float)
        if channel == 0:
            cells += np.clip(self.out[2:4, y, x].T, -2, 2)
        xy = (cells + 0.5) * STRIDE - 0.5
        sd = np.exp(np.clip(self.out[4, y, x].astype(float), -3, 2)) * STRIDE
        keep = apart(xy, apart_px)
        return Peaks(xy[keep], probability[keep], sd[keep])


def look(sheet: Sheet, network: str, turns: int = 1) -> Heat:
    """Run a network over a sheet, or over the sheet laid several ways: then heat is the mean.

    Parameters
    ----------
    sheet : Sheet
        Height and width multiples of GRANULE_PX.
    network : str
        Name of one that ships with the package, or the path of an ONNX file.
    turns : int
        1 to 8, see :mod:`standcam.plants.turned`.
    """
    h, w = sheet.rgb.shape[:2]
    x = np.empty((1, 5, h, w), np.float32)
    for k in range(3):
        np.multiply(sheet.rgb[..., k], np.float32(1 / 255), out=x[0, k])
    x[0, 3:5] = sheet.lean.transpose(2, 0, 1)
    net, outs = network_of(network), []
    for turn in range(turns):
        net.setInput(laid(x[0], turn)[None] if turn else x)
        out = net.forward()[0]
        outs.append(laid_back(out, turn) if turns > 1 else out)
    out = outs[0] if turns == 1 else mean_of(outs)
    # what the photo does not show holds no stem
    out[:2, ~sheet.seen[::STRIDE, ::STRIDE]] = _COLDEST
    return Heat(out)


@cache
def network_of(name: str) -> cv2.dnn.Net:
    """A network that ships with the package, by its name, or an ONNX file, gzipped or not, by its path."""
    # the older engine joins convolution, sum and rectifier: a fifth faster here than the one OpenCV 5 takes by itself
    return cv2.dnn.readNetFromONNX(np.frombuffer(onnx_of(name), np.uint8), cv2.dnn.ENGINE_CLASSIC)


def onnx_of(name: str) -> bytes:
    """Bytes of a network, unpacked."""
    path = Path(name) if "." in name else Path(str(files("standcam.plants") / "weights" / f"{name}.onnx.gz"))
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def apart(xy: np.ndarray, far: float) -> np.ndarray:
    """Indices of places, first come first kept, no two nearer than ``far``, in the unit of the places."""
    keep = np.ones(len(xy), bool)
    for at in range(0, len(xy), _AT_ONCE):
        some = xy[at : at + _AT_ONCE]
        # places with others before them that are too near: few
        near = ((some[:, None] - xy[None, : at + len(some)]) ** 2).sum(axis=2) < far**2
        near &= np.arange(at, at + len(some))[:, None] > np.arange(near.shape[1])
        for i in np.flatnonzero(near.any(axis=1)):
            keep[at + i] = not (keep[: near.shape[1]] & near[i]).any()
    return np.flatnonzero(keep)
