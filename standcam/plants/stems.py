"""Stems of a photo: all over it first, then those that belong to a row."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.areas import Area, busy_areas
from standcam.plants.heat import COARSEST_SHEET_CM, GRANULE_PX, SHEET_CM, Peaks, apart, look
from standcam.plants.nearest import nearest_points
from standcam.plants.rivals import rivals
from standcam.plants.sheet import Frame, draw
from standcam.plants.view import View
from standcam.rows.line import RowLine
from standcam.settings import StemSettings
from standcam.vegetation.segment import BLOCK_PX, Vegetation


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
            points,
            row.position(points),
            row.offset(points),
            self.position_sd_cm[chosen],
            self.probability[chosen],
        )


@dataclass(frozen=True)
class Seen:
    """Crop stems and weeds all over the photo, before any row is known."""

    crop_cm: np.ndarray
    """(n, 2) [cm]"""
    crop_probability: np.ndarray
    crop_sd_cm: np.ndarray
    """Standard error of each place along one axis. (n,) [cm]"""
    weed_cm: np.ndarray
    """(m, 2) [cm]"""
    weed_probability: np.ndarray
    calibration: tuple[float, float, float, float] = (0.0, 1.0, 0.0, 0.0)
    """Weights by which ``calibrated`` turns these probabilities into final ones: a locator's own. As given here they
    stay as they are."""
    closeness_share: float = np.inf
    """See ``StemSettings``; a locator's own too. inf: rivals reach equally far in every row."""

    @staticmethod
    def nothing() -> Seen:
        """Nothing seen."""
        return Seen(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty((0, 2)), np.empty(0))


def look_over(
    field_cm: np.ndarray,
    vegetation: Vegetation,
    ground: GroundMap,
    view: View,
    settings: StemSettings | None = None,
) -> Seen:
    """Find stems and weeds all over the photo.

    As every :class:`standcam.plants.locate.Locator`.
    """
    settings = settings or StemSettings()
    crops, weeds = [_NO_PEAKS], [_NO_PEAKS]
    for area in _areas(field_cm, vegetation, ground, settings):
        sheet, cm_per_px = draw(area.frame, vegetation, ground, view), area.frame.cm_per_px
        heat = look(sheet, settings.network, settings.turns)
        crops.append(_counting(heat.crop_peaks(settings.lowest_probability, settings.apart_cm / cm_per_px), area))
        weeds.append(_counting(heat.weed_peaks(settings.weed_probability, settings.weeds_apart_cm / cm_per_px), area))
    crop_cm, heat_of_crop, sd_cm = _hottest_first(crops, settings.apart_cm)
    weed_cm, heat_of_weed, _ = _hottest_first(weeds, settings.weeds_apart_cm)
    green = _is_green(np.concatenate([crop_cm, weed_cm]), vegetation, ground, settings.green_reach_cm)
    alive, weedy = green[: len(crop_cm)], green[len(crop_cm) :]
    probability = np.where(alive, heat_of_crop, heat_of_crop * settings.no_green_share)
    sd = settings.sd_at_cm * (sd_cm / settings.sd_at_cm) ** settings.sd_power * settings.sd_factor
    return Seen(
        crop_cm,
        probability,
        sd,
        weed_cm[weedy],
        heat_of_weed[weedy],
        settings.calibration,
        settings.closeness_share,
    )


def _areas(field_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, settings: StemSettings) -> list[Area]:
    """Where to look, drawn more coarsely where there is much of it, so that the time of a photo stays bounded."""
    green_cm = ground.to_ground(vegetation.block_places()[2])
    areas = busy_areas(frame_over(field_cm, ground, settings), green_cm, settings.green_reach_cm)
    share = sum(area.frame.width_px * area.frame.height_px for area in areas) / (settings.look_megapixels * 1e6)
    if share <= 1:
        return areas
    frame = frame_over(field_cm, ground, settings, min(SHEET_CM * float(np.sqrt(share)), COARSEST_SHEET_CM))
    return busy_areas(frame, green_cm, settings.green_reach_cm)


_NO_PEAKS = np.empty((0, 4))
_FEWEST_GAPS = 4


def _counting(peaks: Peaks, area: Area) -> np.ndarray:
    """Peaks that count in an area: x, y [cm], probability, standard error [cm]. (n, 4)"""
    own = area.holds(peaks.xy_px)
    places = area.frame.to_ground(peaks.xy_px[own])
    return np.c_[places, peaks.probability[own], peaks.sd_px[own] * area.frame.cm_per_px]


def _hottest_first(areas: list[np.ndarray], apart_cm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, probabilities and errors of all areas' peaks; a peak on a seam may have been seen from either side."""
    peaks = np.concatenate(areas)
    peaks = peaks[np.argsort(-peaks[:, 2], kind="stable")]
    peaks = peaks[apart(peaks[:, :2], apart_cm)]
    return peaks[:, :2], peaks[:, 2], peaks[:, 3]


def _is_green(points_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, reach_cm: float) -> np.ndarray:
    """Whether any plant pixel lies near each ground point. (n,) bool"""
    if not len(points_cm):
        return np.zeros(0, bool)
    held = (vegetation.blocks > 0).view(np.uint8)
    px = ground.to_pixels(points_cm)
    cell = vegetation.factor * BLOCK_PX
    reach = max(1, int(np.ceil(reach_cm / (float(np.nanmedian(ground.cm_per_px(px))) * cell))))
    near = cv2.dilate(held, np.ones((2 * min(reach, 25) + 1,) * 2, np.uint8))
    at = np.floor((px + 0.5) / cell).astype(int)
    x, y = np.clip(at[:, 0], 0, held.shape[1] - 1), np.clip(at[:, 1], 0, held.shape[0] - 1)
    return near[y, x] > 0


def frame_over(field_cm: np.ndarray, ground: GroundMap, settings: StemSettings, cm_per_px: float = SHEET_CM) -> Frame:
    """A sheet over the field, turned with the picture, so that little of it is empty; its size is bounded."""
    right = ground.jacobian(ground.middle_px)[0, :, 0]
    axis = right / np.linalg.norm(right) if np.isfinite(right).all() else np.array([1.0, 0.0])
    down = np.array([axis[1], -axis[0]])
    along, width = _extent(field_cm @ axis, settings.widest_look_cm)
    across, height = _extent(field_cm @ down, settings.widest_look_cm)
    return Frame(
        tuple(along * axis + across * down),
        tuple(axis),
        cm_per_px,
        _granules(width / cm_per_px),
        _granules(height / cm_per_px),
    )


def _extent(places: np.ndarray, longest: float) -> tuple[float, float]:
    """Begin and length of the span of places, cut about its middle to ``longest``."""
    low, length = float(places.min()), float(np.ptp(places))
    return low + max(length - longest, 0.0) / 2, min(length, longest)


def _granules(size_px: float) -> int:
    return max(GRANULE_PX, int(np.ceil(size_px / GRANULE_PX)) * GRANULE_PX)


def stems_along(row: RowLine, seen: Seen, settings: StemSettings | None = None) -> Stems:
    """The seen stems that belong to a row, in its order, weighed by how far off its line they stand.

    The network knows no row. Crop stems scatter about the line by a centimetre or two, weeds stand anywhere, so the
    odds of each stem are multiplied by the ratio of the two densities (Bayes), within a factor of
    ``settings.row_odds`` either way.
    """
    settings = settings or StemSettings()
    offset, position = row.offset(seen.crop_cm), row.position(seen.crop_cm)
    own = np.flatnonzero(np.abs(offset) <= settings.off_row_cm)
    own = own[np.argsort(position[own], kind="stable")]
    scatter = np.sqrt(settings.row_scatter_cm**2 + seen.crop_sd_cm[own] ** 2)
    density = np.exp(-0.5 * (offset[own] / scatter) ** 2) / (scatter * np.sqrt(2 * np.pi))
    ratio = np.clip(density * 2 * settings.off_row_cm, 1 / settings.row_odds, settings.row_odds)
    p = seen.crop_probability[own]
    p = p * ratio / (p * ratio + 1 - p)
    reach = rival_reach(position[own], p, settings, seen.closeness_share)
    p = calibrated(p, seen.crop_cm[own], seen.calibration, reach)
    likely = p >= settings.lowest_probability
    own, p = own[likely], p[likely]
    return Stems(seen.crop_cm[own], position[own], offset[own], seen.crop_sd_cm[own], p)


def rival_reach(position_cm: np.ndarray, probability: np.ndarray, settings: StemSettings, share: float) -> float:
    """How far a hotter peak takes from its neighbours in a row: less where plants are sown closely. [cm]

    Parameters
    ----------
    position_cm, probability : (n,) array
        Peaks of one row, in its order.
    share : float
        Of the row's median gap.
    """
    gaps = np.diff(position_cm[probability > 0.5])
    gaps = gaps[gaps > settings.apart_cm]
    if len(gaps) < _FEWEST_GAPS:
        return settings.closeness_cm
    return min(max(share * float(np.median(gaps)), settings.closeness_cm / 2), settings.closeness_cm)


def calibrated(
    probability: np.ndarray,
    points_cm: np.ndarray,
    calibration: tuple[float, float, float, float],
    closeness_cm: float,
) -> np.ndarray:
    """Probability that a peak is a stem of its own, from its heat and from the nearest hotter peak.

    Where the network cannot tell which of two places a plant's stem stands at, it warms both; true doubles are both
    hot. So a peak loses by how much hotter its neighbour is, the more the nearer it stands: a logistic regression
    with four weights (``StemSettings.calibration``), fitted on photos and scenes the network had not seen. Peaks come
    in walking order.
    """
    p = np.clip(probability, 1e-3, 1 - 1e-3)
    own = np.log(p / (1 - p))
    if not len(own):
        return probability
    closeness, above = rivals(own, points_cm, closeness_cm)
    base, by_heat, by_closeness, by_rival = calibration
    logit = base + by_heat * own + closeness * (by_closeness + by_rival * above)
    return 1 / (1 + np.exp(-logit))


def green_areas(stems_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, reach_cm: float = 15.0) -> np.ndarray:
    """Green area nearest to each stem, out to ``reach_cm``. (n, 2) [cm] -> (n,) [cm²]

    Where neighbours' leaves cross, the border between them is half way between their stems. A plant is small beside
    the picture, so the scale at its stem serves for all of it.
    """
    if not len(stems_cm):
        return np.empty(0)
    y, x, px = vegetation.block_places()
    cm = ground.to_ground(px)
    seen = np.isfinite(cm).all(axis=1)
    if not seen.any():
        return np.zeros(len(stems_cm))
    away, owner = (found[:, 0] for found in nearest_points(cm[seen], stems_cm))
    close = away < reach_cm
    count = np.bincount(owner[close], weights=vegetation.blocks[y, x][seen][close], minlength=len(stems_cm))
    return count * (ground.cm_per_px(ground.to_pixels(stems_cm)) * vegetation.factor) ** 2
