"""The same sheet mirrored and turned, and what a network says of it brought back.

A network errs elsewhere in a mirrored picture, for nothing tells it that both are one. The mean over several is surer.
"""

from __future__ import annotations

import numpy as np

TURNS = 8
"""Ways a sheet can be laid without drawing it anew: mirrored left and right, up and down, across the diagonal."""


_ALONG = np.array([-1, 1], np.float32)[:, None, None]
_ACROSS = -_ALONG


def laid(rgb: np.ndarray, lean: np.ndarray, turn: int) -> tuple[np.ndarray, np.ndarray]:
    """A sheet laid another way; its lean turns with it.

    Parameters
    ----------
    rgb : (h, w, 3) array
    lean : (2, h', w') array
        Along x and along y, on a grid of its own.
    turn : int
        0 to 7; 0 is the sheet as it is, 1 mirrored left and right, 2 up and down, 4 across the diagonal, sums are both.
    """
    if turn & 1:
        rgb, lean = rgb[:, ::-1], lean[:, :, ::-1] * _ALONG
    if turn & 2:
        rgb, lean = rgb[::-1], lean[:, ::-1] * _ACROSS
    if turn & 4:
        rgb, lean = rgb.transpose(1, 0, 2), lean.transpose(0, 2, 1)[::-1]
    return rgb, lean


def laid_back(out: np.ndarray, turn: int) -> np.ndarray:
    """What a network said of a sheet so ``laid``, as of the sheet as it is: ways to stems turn back. (5, h, w)"""
    if turn & 4:
        out = out.transpose(0, 2, 1)[[0, 1, 3, 2, 4]]
    out = out.copy()
    if turn & 2:
        out = out[:, ::-1].copy()
        out[3] *= -1
    if turn & 1:
        out = out[:, :, ::-1].copy()
        out[2] *= -1
    return out


def mean_of(outs: list[np.ndarray]) -> np.ndarray:
    """One output of several: mean of the probabilities, as logits again, and of ways and errors. (5, h, w) float32"""
    every = np.stack(outs)
    mean = every.mean(axis=0)
    p = (1 / (1 + np.exp(-np.clip(every[:, :2].astype(float), -50, 50)))).mean(axis=0)
    mean[:2] = np.log(np.maximum(p, 1e-20)) - np.log1p(-np.minimum(p, 1 - 1e-12))
    return mean
