"""Where plant pixels say their stems are: votes gathered along a row, and the peaks among them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.plants.descriptor import View, frames
from standcam.plants.network import Network
from standcam.rows.line import RowLine

CELL_U_CM, CELL_V_CM = 0.2, 0.4
"""Cells of the vote map along and across the row. [cm]"""
REACH_CM = 3.0
"""The network's offsets are in units of this length; also that of its log scale. [cm]"""


@dataclass(frozen=True)
class Votes:
    """One vote a plant point."""

    voters_work: np.ndarray
    """The points that vote. (n, 2) [working px]"""
    points_cm: np.ndarray
    """Where each says its stem is. (n, 2) [cm]"""
    weight: np.ndarray
    """Probability of crop over the squared error expected. (n,)"""
    crop: np.ndarray
    """Probability that the voter is part of a crop plant. (n,)"""


@dataclass(frozen=True)
class Proposals:
    """Places along a row where a stem may stand."""

    position_cm: np.ndarray
    offset_cm: np.ndarray
    height: np.ndarray
    """Height of the vote peak. (n,)"""

    def __len__(self) -> int:
        return len(self.position_cm)


def vote(
    descriptors: np.ndarray, voters_work: np.ndarray, points_cm: np.ndarray, view: View, pointer: Network
) -> Votes:
    """Ask each plant point where its stem is."""
    out = pointer(descriptors)
    local = frames(points_cm, view)
    logits = out[:, :3] - out[:, :3].max(axis=1, keepdims=True)
    crop = np.exp(logits[:, 0]) / np.exp(logits).sum(axis=1)
    scale = np.exp(np.clip(out[:, 5], -3, 3))
    return Votes(
        voters_work,
        points_cm + np.einsum("nij,ni->nj", local, out[:, 3:5] * REACH_CM),
        crop / np.maximum(scale * REACH_CM, 0.25) ** 2,
        crop,
    )


def gather(votes: Votes, row: RowLine, half_width_cm: float = 6.0, lowest: float = 0.2) -> Proposals:
    """Peaks of the vote map along a row.

    Parameters
    ----------
    votes : Votes
    row : RowLine
    half_width_cm : float
        Votes farther off the line are no stems of this row. [cm]
    lowest : float
        Height below which a peak is not proposed; low, as a second look judges every proposal.
    """
    margin = 6.0
    u, v = row.position(votes.points_cm), row.offset(votes.points_cm)
    n_u = int((row.length_cm + 2 * margin) / CELL_U_CM) + 1
    n_v = int(2 * half_width_cm / CELL_V_CM) + 1
    i = np.floor((u - row.from_cm + margin) / CELL_U_CM)
    j = np.floor((v + half_width_cm) / CELL_V_CM)
    inside = (i >= 0) & (i < n_u) & (j >= 0) & (j < n_v)
    flat = (j[inside] * n_u + i[inside]).astype(np.int64)
    heap = np.bincount(flat, weights=votes.weight[inside], minlength=n_u * n_v)
    heap = cv2.GaussianBlur(heap.reshape(n_v, n_u).astype(np.float32), (0, 0), sigmaX=2.0, sigmaY=2.0)
    top = cv2.dilate(heap, np.ones((5, 7), np.uint8))
    jj, ii = np.nonzero((heap >= top) & (heap > lowest))
    order = np.argsort(ii, kind="stable")
    ii, jj = ii[order], jj[order]
    return Proposals(
        row.from_cm - margin + (ii + 0.5) * CELL_U_CM, (jj + 0.5) * CELL_V_CM - half_width_cm, heap[jj, ii]
    )


CONTEXT = 6


def context(proposals: Proposals) -> np.ndarray:
    """Facts of a proposal among its neighbours: own height, and distance and height of others. (n, CONTEXT)"""
    n = len(proposals)
    u, height = proposals.position_cm, np.log(proposals.height)
    facts = np.zeros((n, CONTEXT), np.float32)
    facts[:, 0] = height / 3
    apart = np.abs(u[:, None] - u[None, :])
    np.fill_diagonal(apart, np.inf)
    taller = np.where(height[None, :] > height[:, None], apart, np.inf)
    near = np.exp(-np.minimum(apart, 50) / 3)
    facts[:, 1] = np.exp(-np.min(taller, axis=1, initial=np.inf) / 3)
    facts[:, 2] = np.exp(-np.min(apart, axis=1, initial=np.inf) / 3)
    facts[:, 3] = near.sum(axis=1)
    if n > 1:
        nearest = apart.argmin(axis=1)
        facts[:, 4] = np.clip(height[nearest] - height, -4, 4) / 3 * facts[:, 2]
        facts[:, 5] = np.clip(height - np.median(height), -5, 5) / 3
    return facts
