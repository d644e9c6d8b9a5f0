"""Stem heat: a small convolutional network looks at a sheet and says where stems stand, run by OpenCV.

It was trained on path-traced photos and on scenes of this project's generator (``standcam.training``), turned all
the way round, so that it knows no row: rows are found from its stems.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from standcam.plants.networks import GRANULE_CELLS, SHEET_CELL, STEP_PX, Cell, said_of
from standcam.plants.sheet import Sheet
from standcam.plants.turned import laid, laid_back, mean_of

SHEET_CM = 0.10
"""Pixel of the sheets the network was trained on: about that of photos. Coarser photos are enlarged to it: drawn as
they are, at 0.14 and 0.19 cm, F1 on generated scenes was 0.007 and 0.014 less. [cm]"""
COARSEST_SHEET_CM = 0.15
"""As coarse as the network has seen often. [cm]"""
GRANULE_PX = GRANULE_CELLS * max(SHEET_CELL)
"""Sheets are a multiple of this in both sizes. [px]"""
_AROUND = np.ones((3, 3), np.uint8)
_COLDEST = -50.0


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
    """Crop stem and weed (logits, peaking at stems), way from the cell's middle to the stem along x and y [steps], and
    the logarithm of its standard error [steps]; cells of ``SHEET_CELL``. (5, h, w) float32"""

    def crop_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Crop stems at least ``lowest`` likely, no two nearer than ``apart_px``."""
        return peaks_of([self.out], 0, lowest, apart_px, SHEET_CELL)[0]

    def weed_peaks(self, lowest: float, apart_px: float) -> Peaks:
        """Weeds likewise, at the middle of their cells."""
        return peaks_of([self.out], 1, lowest, apart_px, SHEET_CELL)[0]


def peaks_of(
    outs: Sequence[np.ndarray], channel: int, lowest: float, apart_px: float, cell: Cell
) -> tuple[Peaks, np.ndarray]:
    """Peaks of several pictures' heat at once, picture by picture and the hottest of each first.

    Parameters
    ----------
    outs : sequence of (5, h, w) arrays
        As :attr:`Heat.out`.
    channel : int
        0 for crop stems, 1 for weeds.
    lowest : float
        Least probability.
    apart_px : float
        No two of one picture are nearer. [px]
    cell : Cell

    Returns
    -------
    Peaks, (n,) int array
        And of which picture each is.
    """
    least = np.float32(np.log(lowest / (1 - lowest)))
    found, of, places = [], [], []
    for k, out in enumerate(outs):
        # numbers are worked out at the peaks only: most cells are cold
        logit = out[channel]
        at = np.flatnonzero(logit >= np.maximum(cv2.dilate(logit, _AROUND), least))
        found.append(out.reshape(len(out), -1)[:, at])
        of.append(np.full(len(at), k))
        places.append(np.stack(np.divmod(at, logit.shape[1])[::-1], axis=1))
    values, whose = np.concatenate(found, axis=1), np.concatenate(of)
    order = np.lexsort((-values[channel], whose))
    values, whose = values[:, order].astype(float), whose[order]
    probability = 1 / (1 + np.exp(-np.clip(values[channel], -50, 50)))
    xy = (np.concatenate(places)[order] + 0.5) * [cell.across, cell.down] - 0.5
    if channel == 0:
        xy += np.clip(values[2:4].T, -2, 2) * STEP_PX
    sd = np.exp(np.clip(values[4], -3, 2)) * STEP_PX
    keep = apart(xy, apart_px, whose)
    return Peaks(xy[keep], probability[keep], sd[keep]), whose[keep]


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
    # lean hardly changes from pixel to pixel: its mean over a square of two by two serves
    lean = ((sheet.lean[::2, ::2] + sheet.lean[1::2, 1::2]) / 2).transpose(2, 0, 1)
    outs = []
    for turn in range(turns):
        out = said_of(*laid(sheet.rgb, lean, turn), network, SHEET_CELL)
        outs.append(laid_back(out, turn) if turns > 1 else out)
    out = outs[0] if turns == 1 else mean_of(outs)
    # what the photo does not show holds no stem
    out[:2, ~sheet.seen[:: SHEET_CELL.down, :: SHEET_CELL.across]] = _COLDEST
    return Heat(out)


def apart(xy: np.ndarray, far: float, of: np.ndarray | None = None) -> np.ndarray:
    """Indices of places, first come first kept, no two nearer than ``far``, in the unit of the places.

    Parameters
    ----------
    xy : (n, 2) array
    far : float
    of : (n,) int array, optional
        Places of different numbers are never near.
    """
    keep = np.ones(len(xy), bool)
    of = np.zeros(len(xy), int) if of is None else of
    order = np.lexsort((xy[:, 0], of))
    x, y, whose = xy[order, 0], xy[order, 1], of[order]
    pairs = []
    for step in range(1, len(xy)):
        # places of one number follow each other along x: once the next but so many is too far off, all others are
        within = (x[step:] - x[:-step] < far) & (whose[step:] == whose[:-step])
        if not within.any():
            break
        near = np.flatnonzero(within)
        near = near[(x[near + step] - x[near]) ** 2 + (y[near + step] - y[near]) ** 2 < far**2]
        pairs.append(np.sort(np.stack([order[near], order[near + step]], axis=1), axis=1))
    if pairs:
        both = np.concatenate(pairs)
        for first, later in both[np.argsort(both[:, 1], kind="stable")].tolist():
            if keep[first]:
                keep[later] = False
    return np.flatnonzero(keep)
