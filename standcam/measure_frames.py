"""The upper half for raw frames of a flight: each frame looked at by itself, and each plant counted in one of them.

A mosaic blends frames, and where they disagree it doubles or smears plants; a frame shows what the camera saw. So
frames are only placed on one ground (:mod:`standcam.frames`), and each gives the plants of the ground it sees least
aslant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

from standcam.errors import NoScale
from standcam.frames.record import Frames
from standcam.ground.map import GroundMap
from standcam.images.photo import read_photo
from standcam.images.raster_read import square_cuts, square_px
from standcam.measure_strip import Site, StripMeasurement, strip_of
from standcam.plants.green_cells import green_cells
from standcam.plants.strip_plants import StripSeen
from standcam.plants.strip_stems import Lean, look_over_tile, with_areas
from standcam.settings import Settings
from standcam.vegetation.segment import score_table

OWN_PX = 32
"""Whose ground it is, is asked for squares so wide; a margin of one of them is looked at too. [px]"""
AREA_STEP_CM = 25.0
"""Ground shown is measured on a grid so fine. [cm]"""
LEAST_TOLERANCE_CM, MOST_TOLERANCE_CM = 2.0, 5.0
"""Two frames may place a plant so far apart: twice the error at seams, within these bounds. [cm]"""


@dataclass(frozen=True)
class LookAtFrame:
    """Looks at one frame: a picklable function of its index."""

    frames: Frames
    settings: Settings

    def __call__(self, k: int) -> StripSeen:
        """Read and look; stems on the common ground, those on the frame's own ground and a little around it."""
        placed = self.frames.frames[k]
        photo = read_photo(placed.path, self.settings.photo)
        ground, rgb = placed.ground, photo.rgb
        cm_per_px = float(ground.cm_per_px(ground.middle_px)[0])
        chosen = self.settings.strip_stems
        h, w = rgb.shape[:2]
        green = green_cells(rgb, score_table(rgb[::6, ::6]), cm_per_px, chosen, self._own(k, ground, (h, w)))
        foot = ground.to_pixels(np.array([placed.nadir_cm]))[0]
        lean = Lean((float(foot[0]), float(foot[1])), placed.height_cm / cm_per_px)
        xs, ys = (square_cuts(side, square_px(cm_per_px * 10)) for side in (w, h))
        squares = [(x0, y0, x1, y1) for y0, y1 in pairwise(ys) for x0, x1 in pairwise(xs)]
        found = look_over_tile(rgb, green, chosen, lean, squares)
        found = with_areas(found, green.areas((0, 0, w, h)), chosen.plant_reach_cm / cm_per_px)
        return StripSeen(
            ground.to_ground(found.crop_px),
            found.crop_probability,
            found.crop_sd_px * cm_per_px,
            found.crop_area_px * cm_per_px**2,
            ground.to_ground(found.weed_px),
            found.weed_probability,
            found.weed_area_px * cm_per_px**2,
        )

    def _own(self, k: int, ground: GroundMap, shape: tuple[int, int]) -> np.ndarray:
        """Pixels of the ground that belongs to the frame, and a margin. bool (h, w)"""
        h, w = shape
        y, x = np.mgrid[: -(-h // OWN_PX), : -(-w // OWN_PX)] * OWN_PX + (OWN_PX - 1) / 2
        own = self.frames.owner_of(ground.to_ground(np.stack([x.ravel(), y.ravel()], axis=1))) == k
        wide = cv2.dilate(own.reshape(x.shape).astype(np.uint8), np.ones((3, 3), np.uint8))
        return cv2.resize(wide, (wide.shape[1] * OWN_PX, wide.shape[0] * OWN_PX), interpolation=cv2.INTER_NEAREST)[
            :h, :w
        ].view(bool)


def site_of(frames: Frames, name: str, settings: Settings) -> Site:
    """The ground of a flight.

    Raises
    ------
    NoScale
        Its pixels are too coarse for stems.
    """
    cm = np.array([float(f.ground.cm_per_px(f.ground.middle_px)[0]) for f in frames.frames])
    mm_per_px = float(np.median(cm)) * 10
    if mm_per_px > settings.raster.coarsest_mm_per_px:
        raise NoScale(
            f"The frames of {name} have {mm_per_px:.1f} mm a pixel: stems are found at up to "
            f"{settings.raster.coarsest_mm_per_px:g} mm.",
            "Fly lower, or check the height of flight.",
        )
    corners = np.concatenate([_corners(f.ground) for f in frames.frames])
    west, south = (corners.min(axis=0) / 100 + frames.origin_m).tolist()
    east, north = (corners.max(axis=0) / 100 + frames.origin_m).tolist()
    x, y = (np.arange(low, high, AREA_STEP_CM) for low, high in zip(corners.min(0), corners.max(0), strict=True))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shown = int((frames.owner_of(grid) >= 0).sum()) if len(grid) else 0
    return Site(
        name=name,
        stem=name,
        mm_per_px=mm_per_px,
        origin_m=frames.origin_m,
        crs_wkt=frames.crs_wkt,
        crs_name=frames.crs_name,
        bounds_m=(west, south, east, north),
        stems_possible=True,
        hectares=shown * AREA_STEP_CM**2 / 1e8,
        extent=lambda points_cm: frames.owner_of(points_cm) >= 0,
        notes=frames.notes,
    )


def measure_frames(frames: Frames, name: str, seen: Sequence[StripSeen], settings: Settings) -> StripMeasurement:
    """Rows and plants of a flight from what its frames gave.

    Parameters
    ----------
    frames : Frames
    name : str
        Of the flight.
    seen : sequence of StripSeen
        Of each frame.
    settings : Settings
    """
    site = site_of(frames, name, settings)
    every = StripSeen(*(np.concatenate([getattr(part, field) for part in seen]) for field in vars(StripSeen.none())))
    tolerance = 2 * frames.residual_mm / 10
    tolerance = float(np.clip(np.nan_to_num(tolerance), LEAST_TOLERANCE_CM, MOST_TOLERANCE_CM))
    crop = frames.count_once(_indices([s.crop_cm for s in seen]), every.crop_cm, tolerance)
    weed = frames.count_once(_indices([s.weed_cm for s in seen]), every.weed_cm, tolerance)
    m = strip_of(site, every.at(crop, weed), np.empty((0, 3)), settings)
    places = (m.plants[["easting_m", "northing_m"]].to_numpy(float) - frames.origin_m) * 100
    owner = frames.owner_of(places)
    px = np.full((len(places), 2), np.nan)
    for k in np.unique(owner[owner >= 0]):
        px[owner == k] = frames.frames[k].ground.to_pixels(places[owner == k])
    names = np.array([*(f.path.name for f in frames.frames), ""], object)[owner]
    return replace(m, plants=m.plants.assign(x_px=px[:, 0], y_px=px[:, 1], frame=names))


def _indices(parts: Sequence[np.ndarray]) -> np.ndarray:
    return np.repeat(np.arange(len(parts)), [len(part) for part in parts])


def _corners(ground: GroundMap) -> np.ndarray:
    w, h = ground.width_px, ground.height_px
    return ground.to_ground(np.array([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5)
