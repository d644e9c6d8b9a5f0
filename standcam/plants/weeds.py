"""Weeds: plant regions that no crop stem accounts for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.plants.candidates import region_areas_cm2
from standcam.plants.stems import Scene
from standcam.plants.votes import Votes
from standcam.settings import WeedSettings


@dataclass(frozen=True)
class Weeds:
    """Regions of plant that are no crop of the measured rows."""

    points_cm: np.ndarray
    """Middle of each region on the ground. (n, 2) [cm]"""
    area_cm2: np.ndarray
    probability: np.ndarray
    """How likely the region is crop after all: mean over its pixels. (n,)"""


def find_weeds(
    scene: Scene, votes: Votes, stems_cm: np.ndarray, settings: WeedSettings | None = None
) -> Weeds:
    """Regions whose pixels look like weed and which hold no crop stem.

    Parameters
    ----------
    scene : Scene
    votes : Votes
        First votes, of points all over the photo.
    stems_cm : (m, 2) array
        Crop stems of all measured rows, on the ground. [cm]
    settings : WeedSettings, optional
    """
    settings = settings or WeedSettings()
    labels, areas = region_areas_cm2(scene.vegetation, scene.ground)
    if len(areas) < 2 or not len(votes.voters_work):
        return Weeds(np.empty((0, 2)), np.empty(0), np.empty(0))
    xy = votes.voters_work.astype(int)
    label = labels[xy[:, 1], xy[:, 0]]
    count = np.bincount(label, minlength=len(areas))
    crop = np.bincount(label, weights=votes.crop, minlength=len(areas)) / np.maximum(count, 1)
    middle = np.stack(
        [np.bincount(label, weights=xy[:, i], minlength=len(areas)) / np.maximum(count, 1) for i in (0, 1)], axis=1
    )
    taken = np.zeros(len(areas), bool)
    if len(stems_cm):
        # a crop plant's leaves may be cut off from its stem by straw or by a leaf in front
        apart = np.linalg.norm(votes.points_cm[:, None] - stems_cm[None], axis=2).min(axis=1)
        mine = np.bincount(label, weights=apart < settings.own_reach_cm, minlength=len(areas))
        taken = mine > 0.5 * count
    weed = (count > 0) & (areas >= settings.min_area_cm2) & (crop < settings.most_crop) & ~taken
    weed[0] = False
    points = scene.ground.to_ground(scene.vegetation.to_photo(middle[weed]))
    return Weeds(points, areas[weed], crop[weed])
