"""Stems along a row: plant points vote for their stem, the peaks of the votes are looked at again, and judged.

Two small networks do the judging. The *pointer* looks at the surroundings of a plant pixel and says how far and in
which direction the stem of its plant leaves the ground (leaves lean away from the camera's foot; the descriptor's
frame is turned to that direction, so the parallax of high leaves is part of what it learnt). The *judge* looks at
the surroundings of a proposed stem and says how likely a crop stem is there, how far off the proposal is, and how
sure that is. Both were trained on path-traced photos with exact truth (``standcam.training``); the two hundred
kilobytes of weights ship with the package and are evaluated with numpy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.candidates import ground_points, near_row, plant_points
from standcam.plants.descriptor import Maps, View, describe, frames, maps_of, view_of
from standcam.plants.network import Network, load
from standcam.plants.votes import REACH_CM, Proposals, Votes, context, gather, vote
from standcam.rows.line import RowLine
from standcam.settings import StemSettings
from standcam.vegetation.segment import Vegetation


@dataclass(frozen=True)
class Scene:
    """What the stem locator needs of a photo, prepared once and used for each of its rows."""

    vegetation: Vegetation
    ground: GroundMap
    maps: Maps
    view: View
    points_work: np.ndarray
    """Thinned plant pixels. (n, 2) [working px]"""
    points_cm: np.ndarray
    """Their ground places. (n, 2) [cm]"""
    filled: np.ndarray
    """Share of plant in the square each point stands for. (n,)"""


@dataclass(frozen=True)
class Stems:
    """Stems of one row, in the row's order."""

    position_cm: np.ndarray
    offset_cm: np.ndarray
    position_sd_cm: np.ndarray
    probability: np.ndarray
    points_cm: np.ndarray
    """Stem bases on the ground. (n, 2) [cm]"""
    area_cm2: np.ndarray
    """Green area that votes for each stem. (n,) [cm²]"""

    def __len__(self) -> int:
        return len(self.position_cm)

    @staticmethod
    def none() -> Stems:
        """No stems."""
        return Stems(*np.empty((4, 0)), np.empty((0, 2)), np.empty(0))

    def at(self, chosen: np.ndarray, row: RowLine) -> Stems:
        """Some of the stems, by mask or index, placed along another line of the same row."""
        points = self.points_cm[chosen]
        return Stems(
            row.position(points),
            row.offset(points),
            self.position_sd_cm[chosen],
            self.probability[chosen],
            points,
            self.area_cm2[chosen],
        )


def prepare(vegetation: Vegetation, ground: GroundMap, settings: StemSettings | None = None) -> Scene:
    """Gather what all rows of a photo share."""
    settings = settings or StemSettings()
    step = settings.point_step_px
    points = plant_points(vegetation, step)
    h, w = (n // step * step for n in vegetation.mask.shape)
    share = vegetation.mask[:h, :w].reshape(h // step, step, w // step, step).mean(axis=(1, 3))
    filled = share[points[:, 1].astype(int) // step, points[:, 0].astype(int) // step]
    return Scene(
        vegetation,
        ground,
        maps_of(vegetation),
        view_of(ground),
        points,
        ground_points(points, vegetation, ground),
        filled,
    )


def first_votes(scene: Scene, settings: StemSettings | None = None, pointer: Network | None = None) -> Votes:
    """Votes of plant points all over the photo, before any row is known: what rows are found from.

    Votes meet at stems while leaves cover half the ground between rows, so rows show in them far more sharply.
    """
    settings = settings or StemSettings()
    voters = plant_points(scene.vegetation, settings.first_step_px)
    points = ground_points(voters, scene.vegetation, scene.ground)
    seen = np.isfinite(points).all(axis=1)
    voters, points = voters[seen], points[seen]
    descriptors = describe(points, scene.vegetation, scene.maps, scene.ground, scene.view, None)
    return vote(descriptors, voters, points, scene.view, pointer or load("pointer"))


def propose(
    scene: Scene, row: RowLine, settings: StemSettings, pointer: Network
) -> tuple[Proposals, Votes, np.ndarray]:
    """Places along the row that the plant points vote for, the votes, and which points cast them."""
    voters = near_row(scene.points_cm, row, settings.half_width_cm)
    points = scene.points_cm[voters]
    descriptors = describe(points, scene.vegetation, scene.maps, scene.ground, scene.view, row)
    votes = vote(descriptors, scene.points_work[voters], points, scene.view, pointer)
    return gather(votes, row), votes, voters


def judge_input(scene: Scene, row: RowLine, proposals: Proposals) -> tuple[np.ndarray, np.ndarray]:
    """Input of the judge for proposals, and their ground points. (n, m), (n, 2) [cm]"""
    right = np.array([row.direction[1], -row.direction[0]])
    points = row.points(proposals.position_cm) + proposals.offset_cm[:, None] * right
    descriptors = describe(points, scene.vegetation, scene.maps, scene.ground, scene.view, row)
    return np.c_[descriptors, context(proposals)].astype(np.float32), points


def locate_stems(
    scene: Scene,
    row: RowLine,
    settings: StemSettings | None = None,
    pointer: Network | None = None,
    judge: Network | None = None,
) -> Stems:
    """Find the stems of one row.

    Parameters
    ----------
    scene : Scene
        From :func:`prepare`.
    row : RowLine
        Stems beyond its measured stretch are looked for a little way and left out by the caller.
    settings : StemSettings, optional
    pointer, judge : Network, optional
        Others than the ones that ship with the package, as while training.

    Returns
    -------
    Stems
        All judged at least ``settings.lowest_probability`` likely, no two closer than ``settings.apart_cm``.
    """
    settings = settings or StemSettings()
    proposals, votes, voters = propose(scene, row, settings, pointer or load("pointer"))
    if not len(proposals):
        return Stems.none()
    inputs, points = judge_input(scene, row, proposals)
    out = (judge or load("judge"))(inputs)
    probability = 1 / (1 + np.exp(-out[:, 0]))
    correction = np.einsum("nij,ni->nj", frames(points, scene.view), out[:, 1:3] * REACH_CM)
    points = points + correction
    sd = np.exp(np.clip(out[:, 3], -4, 2)) * REACH_CM
    position, offset = row.position(points), row.offset(points)
    keep = _best_apart(position, probability, settings.apart_cm) & (probability >= settings.lowest_probability)
    order = np.flatnonzero(keep)[np.argsort(position[keep], kind="stable")]
    area = _areas(scene, settings, votes, voters, points[order])
    return Stems(position[order], offset[order], sd[order], probability[order], points[order], area)


def _areas(
    scene: Scene, settings: StemSettings, votes: Votes, voters: np.ndarray, stems_cm: np.ndarray
) -> np.ndarray:
    """Green area of each stem: that of the points whose vote falls nearest to it, within a hand's breadth. [cm²]"""
    if not len(stems_cm):
        return np.empty(0)
    apart = np.linalg.norm(votes.points_cm[:, None] - stems_cm[None], axis=2)
    nearest = apart.argmin(axis=1)
    close = apart[np.arange(len(apart)), nearest] < 8.0
    px = scene.vegetation.to_photo(votes.voters_work)
    cell = (scene.ground.cm_per_px(px) * scene.vegetation.factor * settings.point_step_px) ** 2
    cell = cell * scene.filled[voters]
    return np.bincount(nearest[close], weights=cell[close], minlength=len(stems_cm))


def _best_apart(position: np.ndarray, probability: np.ndarray, apart_cm: float) -> np.ndarray:
    """Of proposals closer than ``apart_cm`` only the likelier stays. (n,) bool"""
    keep = np.ones(len(position), bool)
    for i in np.argsort(-probability, kind="stable"):
        if keep[i]:
            close = np.abs(position - position[i]) < apart_cm
            close[i] = False
            keep &= ~close
    return keep
