"""Stems of one tile of a strip: a small network looks at the tile's own pixels about its green.

Nothing is drawn to scale here: the network is told how coarse a pixel is, and was taught on pixels of 2.7 to 6.2 mm, as
pictures of up to twice that pixel (``standcam.training.reduced``). Others are enlarged or reduced. Places are pixels of
the tile; whoever joins tiles knows the ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from standcam.plants.heat import GRANULE_PX, STRIDE, Peaks, apart, network_of
from standcam.plants.slabs import MARGIN_SQUARES, SQUARE_PX, Box, boxes_about, plates
from standcam.settings import StripStemSettings
from standcam.vegetation.segment import greenness, level

AREA_SQUARE_CM = 0.6
"""Green is shared among stems by squares of two by two pixels, where pixels are finer than this. [cm]"""

_ASIDE_PX = np.array([0.0137, 0.0071])


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
    core: tuple[int, int, int, int] | None = None,
    grid_px: tuple[int, int] = (0, 0),
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
    core : (x0, y0, x1, y1), optional
        The part of the tile that counts; around it only green and pixels are seen. By default all of it. [px]
    grid_px : (x, y)
        Where in the tile a corner of the picture's own grid lies: with the same grid in all tiles, and cores cut along
        every ``PLATE_SQUARES``, stems come out the same however the picture is cut. [px]

    Returns
    -------
    TileStems
        Without areas (:func:`with_areas`).
    """
    settings = settings or StripStemSettings()
    # enlarged where the picture is coarse, reduced where it is finer than the network was taught on
    times = max(1.0, cm_per_px / settings.look_cm) * min(1.0, cm_per_px / settings.finest_look_cm)
    h, w = green.shape
    x0, y0, x1, y1 = core or (0, 0, w, h)
    side, margin = SQUARE_PX, max(1, math.ceil(MARGIN_SQUARES / max(1.0, times)))
    near = cv2.dilate(green.view(np.uint8), _disc(settings.green_reach_cm / cm_per_px))
    # squares of the picture's grid: the first may begin beyond the tile
    left_px, top_px = -grid_px[0] % side, -grid_px[1] % side
    busy = _squares(near, side, top_px, left_px)
    origin = ((grid_px[1] + top_px) // side, (grid_px[0] + left_px) // side)
    found = []
    for plate in plates(busy.shape, origin):
        if (
            plate.bottom * side - top_px <= y0
            or plate.top * side - top_px >= y1
            or plate.right * side - left_px <= x0
            or plate.left * side - left_px >= x1
        ):
            continue
        for part in boxes_about(busy[plate.top : plate.bottom, plate.left : plate.right], margin):
            box = Box(part.top + plate.top, part.left + plate.left, part.bottom + plate.top, part.right + plate.left)
            own = np.array([box.left, box.top, box.right, box.bottom]) * side - [left_px, top_px, left_px, top_px]
            left, top = max(int(own[0]) - margin * side, 0), max(int(own[1]) - margin * side, 0)
            window = (slice(top, min(int(own[3]) + margin * side, h)), slice(left, min(int(own[2]) + margin * side, w)))
            out = _look(rgb[window], cm_per_px, times, settings.network, lean, (left, top))
            found.append(_counting(out, own, (left, top), cm_per_px, times, settings))
    if not found:
        return TileStems.none()
    stems = TileStems(*(np.concatenate([getattr(part, name) for part in found]) for name in vars(found[0])))
    dim = np.where(_held(near, stems.crop_px), 1.0, settings.no_green_share)
    stems = replace(stems, crop_probability=stems.crop_probability * dim)
    return stems.at(stems.crop_probability >= settings.lowest_probability, _held(near, stems.weed_px))


def green_squares(green: np.ndarray, cm_per_px: float, grid_px: tuple[int, int] = (0, 0)) -> np.ndarray:
    """Small squares with green: middle x, y [px] and green pixels; a corner of theirs is at ``grid_px``. (k, 3)"""
    side = 2 if cm_per_px < AREA_SQUARE_CM else 1
    left, top = -grid_px[0] % side, -grid_px[1] % side
    h, w = -(-(green.shape[0] + top) // side), -(-(green.shape[1] + left) // side)
    padded = np.zeros((h * side, w * side), np.uint8)
    padded[top : top + green.shape[0], left : left + green.shape[1]] = green
    count = np.zeros((h, w), np.uint8)
    for dy in range(side):
        for dx in range(side):
            count += padded[dy::side, dx::side]
    y, x = np.nonzero(count)
    return np.stack([x * side + (side - 1) / 2 - left, y * side + (side - 1) / 2 - top, count[y, x]], axis=1)


def with_areas(stems: TileStems, squares: np.ndarray, reach_px: float) -> TileStems:
    """The stems, each with the green that lies nearest to it, out to ``reach_px``, added to what it has.

    Parameters
    ----------
    stems : TileStems
    squares : (k, 3) array
        Of :func:`green_squares`, in the pixels of the stems.
    reach_px : float
    """
    places = np.concatenate([stems.crop_px, stems.weed_px])
    if not len(places) or not len(squares):
        return stems
    from scipy.spatial import cKDTree

    # a little aside, or squares halfway between two weeds, whose places are whole cells, would go to either by chance
    apart, nearest = cKDTree(places).query(squares[:, :2] + _ASIDE_PX, distance_upper_bound=reach_px)
    near = np.isfinite(apart)
    area = np.bincount(nearest[near], squares[near, 2], minlength=len(places))
    n = len(stems.crop_px)
    return replace(stems, crop_area_px=stems.crop_area_px + area[:n], weed_area_px=stems.weed_area_px + area[n:])


def _squares(near: np.ndarray, side: int, top_px: int, left_px: int) -> np.ndarray:
    """Squares with anything in them; the first begin ``top_px`` and ``left_px`` before the picture. bool"""
    h, w = near.shape
    rows, columns = -(-(h + top_px) // side), -(-(w + left_px) // side)
    padded = np.zeros((rows * side, columns * side), np.uint8)
    padded[top_px : top_px + h, left_px : left_px + w] = near
    lines = np.bitwise_or.reduce(padded.reshape(rows, side, -1), axis=1)
    return lines.reshape(rows, columns, side).any(axis=2)


def _disc(reach_px: float) -> np.ndarray:
    side = 2 * max(1, int(np.ceil(reach_px))) + 1
    return np.ones((side, side), np.uint8)


def _held(mask: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    at = np.floor(xy_px + 0.5).astype(int)
    x, y = np.clip(at[:, 0], 0, mask.shape[1] - 1), np.clip(at[:, 1], 0, mask.shape[0] - 1)
    return mask[y, x] > 0


def _look(
    rgb: np.ndarray, cm_per_px: float, times: float, name: str, lean: Lean | None, corner: tuple[int, int]
) -> np.ndarray:
    """What the network says of a window drawn ``times`` as large; it gets grey margins to whole granules. (5, h, w)"""
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
    return np.asarray(net.forward()[0])


def _counting(
    out: np.ndarray,
    own_px: np.ndarray,
    corner: tuple[int, int],
    cm_per_px: float,
    times: float,
    settings: StripStemSettings,
) -> TileStems:
    """Peaks within the rectangle itself (left, top, right, bottom), its margin left out."""
    scale = times / cm_per_px
    crop = _peaks(out, 0, settings.lowest_probability, settings.apart_cm * scale)
    weed = _peaks(out, 1, settings.weed_probability, settings.weeds_apart_cm * scale)
    places = []
    for peaks in (crop, weed):
        # rounded, so that the same place is the same number in every tile
        xy = np.round(((peaks.xy_px + 0.5) / times - 0.5) * 1024) / 1024 + np.array(corner)
        places.append((xy, ((xy + 0.5 >= own_px[:2]) & (xy + 0.5 < own_px[2:])).all(axis=1)))
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


def _peaks(out: np.ndarray, channel: int, lowest: float, apart_px: float) -> Peaks:
    """As ``Heat.crop_peaks`` and ``Heat.weed_peaks``, worked out at the peaks only."""
    logit = out[channel]
    top = cv2.dilate(logit, np.ones((3, 3), np.uint8))
    y, x = np.nonzero((logit >= top) & (logit >= np.float32(np.log(lowest / (1 - lowest)))))
    heat = 1 / (1 + np.exp(-np.clip(logit[y, x].astype(float), -50, 50)))
    order = np.argsort(-heat, kind="stable")
    y, x, heat = y[order], x[order], heat[order]
    cells = np.stack([x, y], axis=1).astype(float)
    if channel == 0:
        cells += np.clip(out[2:4, y, x].T, -2, 2)
    xy = (cells + 0.5) * STRIDE - 0.5
    sd = np.exp(np.clip(out[4, y, x].astype(float), -3, 2)) * STRIDE
    keep = apart(xy, apart_px)
    return Peaks(xy[keep], heat[keep], sd[keep])
