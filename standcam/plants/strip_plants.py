"""Plants of a strip: stems of all tiles on the ground, tied to rows and judged by heat, neighbours and line.

The same judgement as on photos (``plants.stems``), written for a million stems at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standcam.plants.rivals import rivals
from standcam.rows.strip import StripRows
from standcam.settings import StripStemSettings

FINE_COARSE_CM = (0.5, 0.8)
"""Pixels of which ``crop_probability`` and ``coarse_crop_probability`` hold. [cm]"""


@dataclass(frozen=True)
class StripSeen:
    """Stems and weeds all over a strip, before rows are known; ground frame."""

    crop_cm: np.ndarray
    """(n, 2) [cm]"""
    crop_heat: np.ndarray
    crop_sd_cm: np.ndarray
    """As the network judges it. [cm]"""
    crop_area_cm2: np.ndarray
    weed_cm: np.ndarray
    """(m, 2) [cm]"""
    weed_heat: np.ndarray
    weed_area_cm2: np.ndarray

    @staticmethod
    def none() -> StripSeen:
        """Nothing seen."""
        e = np.empty(0)
        return StripSeen(np.empty((0, 2)), e, e, e, np.empty((0, 2)), e, e)

    def at(self, crop: np.ndarray, weed: np.ndarray) -> StripSeen:
        """Some of the stems and weeds, by mask or index."""
        return StripSeen(
            self.crop_cm[crop],
            self.crop_heat[crop],
            self.crop_sd_cm[crop],
            self.crop_area_cm2[crop],
            self.weed_cm[weed],
            self.weed_heat[weed],
            self.weed_area_cm2[weed],
        )


@dataclass(frozen=True)
class StripPlants:
    """Plants tied to rows, row by row, each in walking order, crop before weeds."""

    row: np.ndarray
    """Index of the row. (n,) int"""
    points_cm: np.ndarray
    position_cm: np.ndarray
    offset_cm: np.ndarray
    position_sd_cm: np.ndarray
    """NaN for weeds."""
    area_cm2: np.ndarray
    crop_probability: np.ndarray
    is_crop: np.ndarray
    judged: np.ndarray
    """crop, doubtful or weed."""
    near_another: np.ndarray
    """Stands nearer than ``double_cm`` to a neighbour that is listed too. bool"""

    def __len__(self) -> int:
        return len(self.row)


def without_seams(seen: StripSeen, settings: StripStemSettings) -> StripSeen:
    """A stem on the seam of two tiles may have been seen from either side: the hotter find stays.

    Tiles own their ground, and a stem that two of them place on either side of the border is seen twice, a fraction of
    a pixel apart. Within one tile nothing stands so near.
    """
    crop = _hottest(seen.crop_cm, seen.crop_heat, settings.apart_cm)
    weed = _hottest(seen.weed_cm, seen.weed_heat, settings.weeds_apart_cm)
    return seen.at(crop, weed)


def plants_of(
    seen: StripSeen, rows: StripRows, cm_per_px: float, settings: StripStemSettings | None = None
) -> StripPlants:
    """Which stems belong to which row, and which are crop.

    Parameters
    ----------
    seen : StripSeen
    rows : StripRows
        Found from these stems.
    cm_per_px : float
        Pixel of the pictures they were found in. [cm]
    settings : StripStemSettings, optional
    """
    settings = settings or StripStemSettings()
    crop = _crop(seen, rows, cm_per_px, settings)
    weed = _weeds(seen, rows, settings)
    both = {name: np.concatenate([getattr(crop, name), getattr(weed, name)]) for name in vars(crop)}
    every = StripPlants(**both)
    order = np.lexsort((every.position_cm, ~every.is_crop, every.row))
    return StripPlants(**{name: values[order] for name, values in vars(every).items()})


def green_of(points_cm: np.ndarray, area_cm2: np.ndarray, rows: StripRows, reach_cm: float) -> StripPlants:
    """Squares of green on rows, where stems cannot be told: nothing of them is counted.

    Parameters
    ----------
    points_cm : (n, 2) array
        Middles of squares. [cm]
    area_cm2 : (n,) array
        Green in each. [cm²]
    rows : StripRows
    reach_cm : float
        How far off a row's line its green may lie. [cm]
    """
    row, position, offset = rows.assign(points_cm, reach_cm)
    own = np.flatnonzero(row >= 0)
    own = own[np.lexsort((position[own], row[own]))]
    n, none = len(own), np.full(len(own), np.nan)
    return StripPlants(
        row[own],
        points_cm[own],
        position[own],
        offset[own],
        none,
        area_cm2[own],
        none,
        np.zeros(n, bool),
        np.full(n, "green", object),
        np.zeros(n, bool),
    )


def _crop(seen: StripSeen, rows: StripRows, cm_per_px: float, settings: StripStemSettings) -> StripPlants:
    row, position, offset = rows.assign(seen.crop_cm, settings.off_row_cm)
    own = np.flatnonzero((row >= 0) & (np.abs(offset) <= settings.off_row_cm))
    own = own[np.lexsort((position[own], row[own]))]
    row, position, offset = row[own], position[own], offset[own]
    sd = settings.sd_at_cm * (seen.crop_sd_cm[own] / settings.sd_at_cm) ** settings.sd_power * settings.sd_factor
    scatter = np.hypot(settings.row_scatter_cm, sd)
    density = np.exp(-0.5 * (offset / scatter) ** 2) / (scatter * np.sqrt(2 * np.pi))
    ratio = np.clip(density * 2 * settings.off_row_cm, 1 / settings.row_odds, settings.row_odds)
    p = np.clip(seen.crop_heat[own], 1e-3, 1 - 1e-3)
    logit = np.log(p / (1 - p)) + np.log(ratio)
    closeness, above = rivals(logit, seen.crop_cm[own], settings.closeness_cm, row)
    inputs = evidence(logit, closeness, above, cm_per_px)
    p = 1 / (1 + np.exp(-(settings.calibration[0] + inputs @ np.array(settings.calibration[1:]))))
    listed = p >= settings.lowest_probability
    own, p, row, position, offset, sd = (v[listed] for v in (own, p, row, position, offset, sd))
    is_crop = p >= least_probability(cm_per_px, settings)
    near = (np.diff(position) < settings.double_cm) & (np.diff(row) == 0)
    return StripPlants(
        row,
        seen.crop_cm[own],
        position,
        offset,
        sd,
        seen.crop_area_cm2[own],
        p,
        is_crop,
        np.where(is_crop, "crop", "doubtful").astype(object),
        np.r_[near, False] | np.r_[False, near] if len(row) else np.zeros(0, bool),
    )


def least_probability(cm_per_px: float, settings: StripStemSettings) -> float:
    """From which a stem counts as crop."""
    coarse = np.interp(np.log2(cm_per_px), np.log2(FINE_COARSE_CM), (0.0, 1.0))
    return float(settings.crop_probability + coarse * (settings.coarse_crop_probability - settings.crop_probability))


def evidence(logit: np.ndarray, closeness: np.ndarray, above: np.ndarray, cm_per_px: float) -> np.ndarray:
    """What ``StripStemSettings.calibration`` weighs: heat, rivals, and how coarse the picture is. (n, 5)

    In coarse pictures heat is lower and doubles melt into one.
    """
    coarse = np.full(len(logit), np.log2(cm_per_px / 0.4))
    return np.stack([logit, closeness, closeness * above, coarse, coarse * logit], axis=1)


def _weeds(seen: StripSeen, rows: StripRows, settings: StripStemSettings) -> StripPlants:
    row, position, offset = rows.assign(seen.weed_cm, settings.weeds_reach_cm)
    own = np.flatnonzero((row >= 0) & (np.abs(offset) <= settings.weeds_reach_cm))
    likely = seen.crop_cm[seen.crop_heat >= settings.lowest_probability * 3]
    if len(own) and len(likely):
        from scipy.spatial import cKDTree

        apart, _ = cKDTree(likely).query(seen.weed_cm[own], distance_upper_bound=settings.weeds_apart_cm)
        own = own[~np.isfinite(apart)]
    n = len(own)
    return StripPlants(
        row[own],
        seen.weed_cm[own],
        position[own],
        offset[own],
        np.full(n, np.nan),
        seen.weed_area_cm2[own],
        1 - seen.weed_heat[own],
        np.zeros(n, bool),
        np.full(n, "weed", object),
        np.zeros(n, bool),
    )


def _hottest(places: np.ndarray, heat: np.ndarray, apart: float) -> np.ndarray:
    """Indices of places, in their order, after each that is nearer than ``apart`` to a hotter one is taken out."""
    if len(places) < 2:
        return np.arange(len(places))
    from scipy.spatial import cKDTree

    pairs = cKDTree(places).query_pairs(apart, output_type="ndarray")
    keep = np.ones(len(places), bool)
    # the hottest pairs first, so that a place goes only by one that stays
    hotter = np.where(heat[pairs[:, 0]] >= heat[pairs[:, 1]], 0, 1)
    each = np.arange(len(pairs))
    winner, loser = pairs[each, hotter], pairs[each, 1 - hotter]
    for k in np.argsort(-heat[winner], kind="stable"):
        if keep[winner[k]]:
            keep[loser[k]] = False
    return np.flatnonzero(keep)
