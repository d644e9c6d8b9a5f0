"""Stems of a photo: first everywhere and roughly, so that rows can be found, then along each row and exactly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.heat import COARSE_CM, FINE_CM, GRANULE_PX, Peaks, look
from standcam.plants.sheet import Frame, draw
from standcam.plants.view import View
from standcam.rows.line import RowLine
from standcam.settings import StemSettings
from standcam.vegetation.segment import Vegetation


@dataclass(frozen=True)
class Stems:
    """Stems of one row, in the row's order."""

    points_cm: np.ndarray
    """Stem bases on the ground. (n, 2) [cm]"""
    position_cm: np.ndarray
    offset_cm: np.ndarray
    position_sd_cm: np.ndarray
    probability: np.ndarray
    """How likely a crop stem is there."""

    def __len__(self) -> int:
        return len(self.position_cm)

    @staticmethod
    def none() -> Stems:
        """No stems."""
        return Stems(np.empty((0, 2)), *np.empty((4, 0)))

    def at(self, chosen: np.ndarray, row: RowLine) -> Stems:
        """Some of the stems, by mask or index, placed along another line of the same row."""
        points = self.points_cm[chosen]
        return Stems(
            points, row.position(points), row.offset(points), self.position_sd_cm[chosen], self.probability[chosen]
        )


@dataclass(frozen=True)
class FirstLook:
    """Crop stems and weeds all over the photo, before any row is known."""

    crop_cm: np.ndarray
    """(n, 2) [cm]"""
    crop_probability: np.ndarray
    weed_cm: np.ndarray
    """(m, 2) [cm]"""
    weed_probability: np.ndarray

    @staticmethod
    def none() -> FirstLook:
        """Nothing seen."""
        return FirstLook(np.empty((0, 2)), np.empty(0), np.empty((0, 2)), np.empty(0))


def first_look(
    field_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, view: View, settings: StemSettings | None = None
) -> FirstLook:
    """Look over the whole photo with the coarse network.

    Parameters
    ----------
    field_cm : (n, 2) array
        Ground in which stems can be resolved; its bounding box is looked at. [cm]
    vegetation, ground, view
    settings : StemSettings, optional
    """
    settings = settings or StemSettings()
    frame = _frame_over(field_cm, ground, settings)
    heat = look(draw(frame, vegetation, ground, view), settings.coarse_network)
    crop = heat.crop_peaks(settings.lowest_probability, settings.apart_cm / COARSE_CM)
    weed = heat.weed_peaks(settings.weed_probability, settings.weeds_apart_cm / COARSE_CM)
    return FirstLook(frame.to_ground(crop.xy_px), crop.probability, frame.to_ground(weed.xy_px), weed.probability)


def _frame_over(field_cm: np.ndarray, ground: GroundMap, settings: StemSettings) -> Frame:
    """A sheet over the field, turned with the picture, so that little of it is empty; its size is bounded."""
    middle = np.array([[(ground.width_px - 1) / 2, (ground.height_px - 1) / 2]])
    right = ground.jacobian(middle)[0, :, 0]
    axis = right / np.linalg.norm(right) if np.isfinite(right).all() else np.array([1.0, 0.0])
    down = np.array([axis[1], -axis[0]])
    along, width = _extent(field_cm @ axis, settings.widest_look_cm)
    across, height = _extent(field_cm @ down, settings.widest_look_cm)
    return Frame(
        tuple(along * axis + across * down),
        tuple(axis),
        COARSE_CM,
        _granules(width / COARSE_CM),
        _granules(height / COARSE_CM),
    )


def _extent(places: np.ndarray, longest: float) -> tuple[float, float]:
    """Begin and length of the span of places, cut about its middle to ``longest``."""
    low, length = float(places.min()), float(np.ptp(places))
    return low + max(length - longest, 0.0) / 2, min(length, longest)


def _granules(size_px: float) -> int:
    return max(GRANULE_PX, int(np.ceil(size_px / GRANULE_PX)) * GRANULE_PX)


def locate_stems(
    row: RowLine, vegetation: Vegetation, ground: GroundMap, view: View, settings: StemSettings | None = None
) -> Stems:
    """Find the stems along the measured stretch of a row, and a little beyond its ends.

    Returns
    -------
    Stems
        All at least ``settings.lowest_probability`` likely, no two closer than ``settings.apart_cm``.
    """
    settings = settings or StemSettings()
    if row.length_cm <= 0:
        return Stems.none()
    half = settings.half_width_cm
    start = row.from_cm - settings.beyond_cm
    d = np.asarray(row.direction)
    right = np.array([d[1], -d[0]])
    height = _granules(2 * half / FINE_CM)
    half = height * FINE_CM / 2
    frame = Frame(
        tuple(np.asarray(row.origin_cm) + start * d - half * right),
        tuple(d),
        FINE_CM,
        _granules((row.length_cm + 2 * settings.beyond_cm) / FINE_CM),
        height,
    )
    chord = start + np.arange(frame.width_px) * FINE_CM
    row_y_px = (half + row.bend_per_cm * chord**2) / FINE_CM
    heat = look(draw(frame, vegetation, ground, view), settings.fine_network, row_y_px)
    return _stems(heat.crop_peaks(settings.lowest_probability, settings.apart_cm / FINE_CM), frame, row, settings)


def _stems(peaks: Peaks, frame: Frame, row: RowLine, settings: StemSettings) -> Stems:
    points = frame.to_ground(peaks.xy_px)
    position, offset = row.position(points), row.offset(points)
    order = np.argsort(position, kind="stable")
    order = order[np.abs(offset[order]) <= settings.off_row_cm]
    sd = peaks.sd_px * frame.cm_per_px * settings.sd_factor
    return Stems(points[order], position[order], offset[order], sd[order], peaks.probability[order])


def green_areas(
    stems_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, reach_cm: float = 15.0, step_px: int = 4
) -> np.ndarray:
    """Green area nearest to each stem, out to ``reach_cm``. (n, 2) [cm] -> (n,) [cm²]

    Where neighbours' leaves cross, the border between them is half way between their stems.
    """
    if not len(stems_cm):
        return np.empty(0)
    from scipy.spatial import cKDTree

    h, w = (n // step_px for n in vegetation.mask.shape)
    filled = vegetation.mask[: h * step_px, : w * step_px].reshape(h, step_px, w, step_px).sum(axis=(1, 3))
    y, x = np.nonzero(filled)
    px = vegetation.to_photo(np.stack([x, y], axis=1) * step_px + (step_px - 1) / 2)
    cm = ground.to_ground(px)
    seen = np.isfinite(cm).all(axis=1)
    if not seen.any():
        return np.zeros(len(stems_cm))
    apart, nearest = cKDTree(stems_cm).query(cm[seen], distance_upper_bound=reach_cm)
    close = np.isfinite(apart)
    area = filled[y, x][seen] * (ground.cm_per_px(px[seen]) * vegetation.factor) ** 2
    return np.bincount(nearest[close], weights=area[close], minlength=len(stems_cm))
