"""Stems of one tile of a strip: a small network looks at the tile's own pixels about its green.

Nothing is drawn to scale here: the network is told how coarse a pixel is, and was taught on pixels of 2.7 to 6.2 mm, as
pictures of up to twice that pixel (``standcam.training.reduced``). Others are enlarged or reduced. Places are pixels of
the tile; whoever joins tiles knows the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from standcam.plants.heat import GRANULE_PX, Heat, network_of
from standcam.plants.slabs import MARGIN_SQUARES, SQUARE_PX, Box, boxes_about
from standcam.settings import StripStemSettings
from standcam.vegetation.segment import greenness, level


@dataclass(frozen=True)
class Lean:
    """How upright things lean in a picture taken straight down: outward from the point under the camera."""

    foot_px: tuple[float, float]
    """Pixel under the camera."""
    height_px: float
    """Height of the camera, in pixels of the ground."""


@dataclass(frozen=True)
class TileStems:
    """Stems of a tile, the hottest of each rectangle first, and where it is green."""

    crop_px: np.ndarray
    """Tile pixels, to a fraction. (n, 2) [px]"""
    crop_probability: np.ndarray
    """Heat, not calibrated. (n,)"""
    crop_sd_px: np.ndarray
    """Standard error along one axis, as the network judges it. (n,) [px]"""
    crop_area_px: np.ndarray
    """Green pixels nearest to each stem. (n,)"""
    weed_px: np.ndarray
    """(m, 2) [px]"""
    weed_probability: np.ndarray
    weed_area_px: np.ndarray
    """(m,)"""

    @staticmethod
    def none() -> TileStems:
        """A tile without stems."""
        empty = np.empty(0)
        return TileStems(np.empty((0, 2)), empty, empty, empty, np.empty((0, 2)), empty, empty)

    def at(self, crop: np.ndarray, weed: np.ndarray) -> TileStems:
        """Some of the stems and weeds, by mask or index."""
        return TileStems(
            self.crop_px[crop],
            self.crop_probability[crop],
            self.crop_sd_px[crop],
            self.crop_area_px[crop],
            self.weed_px[weed],
            self.weed_probability[weed],
            self.weed_area_px[weed],
        )


def green_mask(
    rgb: np.ndarray, valid: np.ndarray | None, table: np.ndarray, settings: StripStemSettings | None = None
) -> np.ndarray:
    """Plainly green pixels that do not stand alone. bool (h, w)

    Parameters
    ----------
    rgb : (h, w, 3) uint8
    valid : (h, w) bool or None
        Where the picture shows ground; None: all over.
    table : (65536,) uint8
        Greenness by colour for the soil of the whole strip (:func:`standcam.vegetation.segment.score_table`).
    """
    settings = settings or StripStemSettings()
    score = greenness(rgb, table)
    green = (score > level(settings.green)).view(np.uint8)
    alone = cv2.boxFilter(green, -1, (3, 3), normalize=False) < settings.fewest_green_px
    green[alone] = 0
    if valid is not None:
        green &= valid.view(np.uint8)
    return green.view(bool)


def look_over_tile(
    rgb: np.ndarray,
    green: np.ndarray,
    cm_per_px: float,
    settings: StripStemSettings | None = None,
    lean: Lean | None = None,
) -> TileStems:
    """Find stems and weeds all over a tile.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
    green : (h, w) bool
        Of :func:`green_mask`.
    cm_per_px : float
        Pixel on the ground. [cm]
    settings : StripStemSettings, optional
    lean : Lean, optional
        How far upright things lean; None for a mosaic, where they do not.
    """
    settings = settings or StripStemSettings()
    # enlarged where the picture is coarse, reduced where it is finer than the network was taught on
    times = max(1.0, cm_per_px / settings.look_cm) * min(1.0, cm_per_px / settings.finest_look_cm)
    found = []
    h, w = green.shape
    for box in boxes_about(_busy(green, settings.green_reach_cm / cm_per_px)):
        top, left = max(box.top - MARGIN_SQUARES, 0) * SQUARE_PX, max(box.left - MARGIN_SQUARES, 0) * SQUARE_PX
        bottom, right = (box.bottom + MARGIN_SQUARES) * SQUARE_PX, (box.right + MARGIN_SQUARES) * SQUARE_PX
        window = (slice(top, min(bottom, h)), slice(left, min(right, w)))
        heat = _look(rgb[window], cm_per_px, times, settings.network, lean, (left, top))
        found.append(_counting(heat, box, (left, top), cm_per_px, times, settings))
    if not found:
        return TileStems.none()
    stems = TileStems(*(np.concatenate([getattr(part, name) for part in found]) for name in vars(found[0])))
    near = cv2.dilate(green.view(np.uint8), _disc(settings.green_reach_cm / cm_per_px))
    dim = np.where(_held(near, stems.crop_px), 1.0, settings.no_green_share)
    stems = replace(stems, crop_probability=stems.crop_probability * dim)
    stems = stems.at(stems.crop_probability >= settings.lowest_probability, _held(near, stems.weed_px))
    return _with_areas(stems, green, settings.plant_reach_cm / cm_per_px)


def _with_areas(stems: TileStems, green: np.ndarray, reach_px: float) -> TileStems:
    """The stems, each with the green that lies nearest to it, out to ``reach_px``."""
    places = np.concatenate([stems.crop_px, stems.weed_px])
    y, x = np.nonzero(green)
    if not len(places) or not len(x):
        return stems
    from scipy.spatial import cKDTree

    apart, nearest = cKDTree(places).query(np.stack([x, y], axis=1), distance_upper_bound=reach_px)
    area = np.bincount(nearest[np.isfinite(apart)], minlength=len(places)).astype(float)
    n = len(stems.crop_px)
    return replace(stems, crop_area_px=area[:n], weed_area_px=area[n:])


def _busy(green: np.ndarray, reach_px: float) -> np.ndarray:
    """Squares that hold ground within reach of green. bool"""
    h, w = green.shape
    squares = (-(-h // SQUARE_PX), -(-w // SQUARE_PX))
    padded = np.zeros((squares[0] * SQUARE_PX, squares[1] * SQUARE_PX), np.uint8)
    padded[:h, :w] = cv2.dilate(green.view(np.uint8), _disc(reach_px))
    rows = np.bitwise_or.reduce(padded.reshape(squares[0], SQUARE_PX, -1), axis=1)
    return rows.reshape(squares[0], squares[1], SQUARE_PX).any(axis=2)


def _disc(reach_px: float) -> np.ndarray:
    side = 2 * max(1, int(np.ceil(reach_px))) + 1
    return np.ones((side, side), np.uint8)


def _held(mask: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    at = np.floor(xy_px + 0.5).astype(int)
    x, y = np.clip(at[:, 0], 0, mask.shape[1] - 1), np.clip(at[:, 1], 0, mask.shape[0] - 1)
    return mask[y, x] > 0


def _look(
    rgb: np.ndarray, cm_per_px: float, times: float, name: str, lean: Lean | None, corner: tuple[int, int]
) -> Heat:
    """Heat of a window drawn ``times`` as large; it is padded with grey to whole granules."""
    h, w = (round(side * times) for side in rgb.shape[:2])
    size = (-(-h // GRANULE_PX) * GRANULE_PX, -(-w // GRANULE_PX) * GRANULE_PX)
    if times != 1:
        way = cv2.INTER_LINEAR if times > 1 else cv2.INTER_AREA
        rgb = cv2.resize(rgb, (w, h), interpolation=way)
    x = np.zeros((1, 6, *size), np.float32)
    x[0, :3] = np.float32(128 / 255)
    for k in range(3):
        np.multiply(rgb[..., k], np.float32(1 / 255), out=x[0, k, :h, :w])
    if lean is not None:
        x[0, 3, :, :] = (corner[0] - lean.foot_px[0] + np.arange(size[1]) / times) / lean.height_px
        x[0, 4, :, :] = ((corner[1] - lean.foot_px[1] + np.arange(size[0]) / times) / lean.height_px)[:, None]
    x[0, 5] = np.log2(cm_per_px / times / 0.4)
    net = network_of(name)
    net.setInput(x)
    out = net.forward()[0]
    hot = 1 / (1 + np.exp(-np.clip(out[:2], -50, 50)))
    return Heat(hot[0], hot[1], out[2:4], np.exp(np.clip(out[4], -3, 2)))


def _counting(
    heat: Heat, box: Box, corner: tuple[int, int], cm_per_px: float, times: float, settings: StripStemSettings
) -> TileStems:
    """Peaks within the rectangle itself, its margin left out."""
    scale = times / cm_per_px
    crop = heat.crop_peaks(settings.lowest_probability, settings.apart_cm * scale)
    weed = heat.weed_peaks(settings.weed_probability, settings.weeds_apart_cm * scale)
    places = []
    for peaks in (crop, weed):
        xy = (peaks.xy_px + 0.5) / times - 0.5 + np.array(corner)
        places.append((xy, _inside(box, xy)))
    (crop_px, own), (weed_px, own_weed) = places
    every = TileStems(
        crop_px,
        crop.probability,
        crop.sd_px / times,
        np.zeros(len(crop)),
        weed_px,
        weed.probability,
        np.zeros(len(weed)),
    )
    return every.at(own, own_weed)


def _inside(box: Box, xy_px: np.ndarray) -> np.ndarray:
    x, y = (xy_px.T + 0.5) / SQUARE_PX
    return (x >= box.left) & (x < box.right) & (y >= box.top) & (y < box.bottom)
