"""Stems of one tile of a strip: a small network looks along the rows of each square of it, on pixels near their own.

Square by square, the green tells where rows run (``plants.guide``); strips are drawn along them (``plants.along``) and
looked at. Where no rows are clear, rectangles about all green are. The network is told how coarse a pixel is, and was
taught on pixels of 3 to 4.6 mm; coarser pictures are enlarged, finer ones reduced. Places are pixels of the tile:
whoever joins tiles knows the ground.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from standcam.plants.along import GRANULE_ACROSS_PX, GRANULE_PX, Strip, drawn, places_on_ground, strips_along
from standcam.plants.green_cells import GreenCells, nonzero
from standcam.plants.guide import Lines, lines_of
from standcam.plants.heat import peaks_of
from standcam.plants.networks import ALONG_CELL, said_of
from standcam.plants.slabs import MARGIN_SQUARES, SQUARE_PX, boxes_about
from standcam.settings import StripStemSettings

MARGIN_CM = 40.0
"""Green so far about a square tells of its rows too. [cm]"""
SEAM_CM = 1.0
"""Stems so far beyond the border of a square are its own too: its neighbour may place them on its own side of it.
Whoever joins squares takes one of two so near. [cm]"""
_BLURRED = 1.45
"""Strips whose pixel is so many times the picture's are drawn from a blurred picture."""
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


def look_over_tile(
    rgb: np.ndarray,
    cells: GreenCells,
    settings: StripStemSettings | None = None,
    lean: Lean | None = None,
    squares: Sequence[tuple[int, int, int, int]] | None = None,
    corner_px: tuple[int, int] = (0, 0),
) -> TileStems:
    """Find stems and weeds all over a tile.

    Parameters
    ----------
    rgb : (h, w, 3) uint8
    cells : GreenCells
        Where it is green.
    settings : StripStemSettings, optional
    lean : Lean, optional
        How far upright things lean; None for a mosaic, where they do not.
    squares : sequence of (x0, y0, x1, y1), optional
        Squares to look at, ends excluded; about them green and pixels are seen only. By default all of the tile is one.
        What a square gives is the same in whichever tile, as long as that holds ``MARGIN_CM`` about it. [px]
    corner_px : (x, y)
        First pixel of the tile in the picture that it is cut from. [px]

    Returns
    -------
    TileStems
        Without areas (:func:`with_areas`).
    """
    settings = settings or StripStemSettings()
    h, w = rgb.shape[:2]
    look = _Look(rgb, cells, settings, lean, np.array(corner_px))
    found = [part for square in squares or [(0, 0, w, h)] for part in look.over(square)]
    if not found:
        return TileStems.none()
    return TileStems(*(np.concatenate([getattr(part, name) for part in found]) for name in vars(found[0])))


def look_cm_of(cm_per_px: float, settings: StripStemSettings) -> float:
    """Pixel that pictures of a pixel are drawn at before they are looked at. [cm]"""
    return min(max(settings.look_px * cm_per_px, settings.look_finest_cm), settings.look_cm)


class _Look:
    """The squares of one tile."""

    def __init__(
        self, rgb: np.ndarray, cells: GreenCells, settings: StripStemSettings, lean: Lean | None, corner: np.ndarray
    ) -> None:
        self.rgb, self.cells, self.settings, self.lean, self.corner = rgb, cells, settings, lean, corner
        self.cm = cells.cm_per_px
        self.look_cm = look_cm_of(self.cm, settings)
        self.near = cells.near(settings.green_reach_cm)

    def over(self, square: tuple[int, int, int, int]) -> Iterator[TileStems]:
        """Stems of a square."""
        x0, y0, x1, y1 = square
        h, w = self.rgb.shape[:2]
        margin = int(MARGIN_CM / self.cm)
        wide = (max(x0 - margin, 0), max(y0 - margin, 0), min(x1 + margin, w), min(y1 + margin, h))
        px, plain, hint = self.cells.within(wide)
        if not len(px):
            return
        middle = np.array([wide[0] + wide[2] - 1, wide[1] + wide[3] - 1]) / 2
        green = (px - middle) * self.cm
        lines = None
        if self.settings.look_across_cm > 0:
            half = np.array([wide[2] - wide[0], wide[3] - wide[1]]) * self.cm / 2
            lines = lines_of(green, plain, hint, half, self.settings)
        if lines is None:
            yield from self._boxes(square)
            return
        yield from self._strips(square, middle, lines, green)
        yield self._between(square, middle, lines, wide)

    def _strips(
        self, square: tuple[int, int, int, int], middle: np.ndarray, lines: Lines, green_cm: np.ndarray
    ) -> Iterator[TileStems]:
        settings = self.settings
        cm = self.look_cm
        granules = max(1, round(settings.look_across_cm / cm / GRANULE_ACROSS_PX))
        half = granules * GRANULE_ACROSS_PX // 2
        low, high = ((np.array(edge) - 0.5 - middle) * self.cm for edge in (square[:2], square[2:]))
        strips = list(strips_along(lines, green_cm, (low, high), half, cm, settings.off_row_cm))
        if not strips:
            return
        pictures = drawn(strips, self.smooth, middle + self.corner, self.corner, self.cm)
        outs = [self._along(strip, picture, middle, cm) for strip, picture in zip(strips, pictures, strict=True)]

        def to_px(xy: np.ndarray, of: np.ndarray) -> np.ndarray:
            # rounded, so that the same place is the same number in every tile
            return np.round(places_on_ground(strips, xy, of) / self.cm * 1024) / 1024 + middle

        yield self._counting(outs, square, cm, to_px)

    def _along(self, strip: Strip, picture: np.ndarray, middle: np.ndarray, cm: float) -> np.ndarray:
        """What the network says of a strip. (5, h, w)"""
        lines = strip.lines
        size = (strip.height_px, strip.width_px)
        others = np.zeros((3, *ALONG_CELL.grid(*size)), np.float32)
        if self.lean is not None:
            along, across = ALONG_CELL.middles(*size)
            u, v = strip.begin_cm + along * cm, strip.v + (across - strip.height_px / 2) * cm
            uu, vv = (a.ravel() for a in np.meshgrid(u, v))
            at = lines.points(uu, vv) / self.cm + middle - np.array(self.lean.foot_px)
            for k, axis in enumerate((lines.along, lines.across)):
                others[k] = ((at @ axis) / self.lean.height_px).reshape(others[k].shape)
        others[2] = np.log2(cm / 0.4)
        return said_of(picture, others, self.settings.network, ALONG_CELL)

    @cached_property
    def smooth(self) -> np.ndarray:
        """The picture, blurred where it is sampled at every second pixel or so."""
        return cv2.blur(self.rgb, (3, 3)) if self.look_cm > _BLURRED * self.cm else self.rgb

    def _between(
        self, square: tuple[int, int, int, int], middle: np.ndarray, lines: Lines, wide: tuple[int, int, int, int]
    ) -> TileStems:
        """Patches of plain green that reach to no line: weeds between the rows."""
        rows, columns = self.cells.range(wide)
        plain = self.cells.plain[rows, columns]
        _, label = cv2.connectedComponents((plain > 0).view(np.uint8), connectivity=8)
        y, x = nonzero(plain)
        of, size = label[y, x], plain[y, x].astype(float)
        px = self.cells.places(y + rows.start, x + columns.start)
        _, v = lines.places((px - middle) * self.cm)
        off = np.abs(v - lines.v[lines.nearest(v)])
        area = np.bincount(of, size)
        crop = np.zeros(len(area), bool)
        crop[of[off <= self.settings.off_row_cm]] = True
        weed = ~crop & (area * self.cm**2 >= self.settings.weed_patch_cm2)
        with np.errstate(invalid="ignore"):
            at = np.stack([np.bincount(of, size * px[:, k]) for k in (0, 1)], axis=1) / area[:, None]
        weed &= (at >= np.array(square[:2]) - 0.5).all(axis=1) & (at < np.array(square[2:]) - 0.5).all(axis=1)
        at = np.round(at[weed] * 16) / 16
        none = TileStems.none()
        return replace(none, weed_px=at, weed_probability=np.ones(len(at)), weed_area_px=np.zeros(len(at)))

    def _boxes(self, square: tuple[int, int, int, int]) -> Iterator[TileStems]:
        """Rectangles about all green."""
        h, w = self.rgb.shape[:2]
        times = self.cm / self.look_cm
        side, margin = SQUARE_PX, max(1, math.ceil(MARGIN_SQUARES / times))
        x0, y0, x1, y1 = square
        busy = self.cells.squares(self.near, square, side)
        for part in boxes_about(busy, margin):
            own = np.array([part.left, part.top, part.right, part.bottom]) * side + [x0, y0, x0, y0]
            left, top = max(int(own[0]) - margin * side, 0), max(int(own[1]) - margin * side, 0)
            window = (slice(top, min(int(own[3]) + margin * side, h)), slice(left, min(int(own[2]) + margin * side, w)))
            out = self._look(self.rgb[window], times, (left, top))

            def to_px(xy: np.ndarray, _: np.ndarray, at: tuple[int, int] = (left, top)) -> np.ndarray:
                return np.round(((xy + 0.5) / times - 0.5) * 1024) / 1024 + np.array(at)

            edge = (own[0], own[1], min(int(own[2]), x1), min(int(own[3]), y1))
            yield self._counting([out], edge, self.look_cm, to_px)

    def _look(self, rgb: np.ndarray, times: float, corner: tuple[int, int]) -> np.ndarray:
        """What the network says of a window; it gets grey margins to whole granules. (5, h, w)"""
        h, w = (round(side * times) for side in rgb.shape[:2])
        size = (-(-h // GRANULE_ACROSS_PX) * GRANULE_ACROSS_PX, -(-w // GRANULE_PX) * GRANULE_PX)
        if times != 1:
            way = cv2.INTER_LINEAR if times > 1 else cv2.INTER_AREA
            rgb = cv2.resize(rgb, (w, h), interpolation=way)
        whole = np.full((*size, 3), 128, np.uint8)
        whole[:h, :w] = rgb
        others = np.zeros((3, *ALONG_CELL.grid(*size)), np.float32)
        if self.lean is not None:
            x, y = ((middle - 0.5) / times for middle in ALONG_CELL.middles(*size))
            others[0] = (corner[0] - self.lean.foot_px[0] + x) / self.lean.height_px
            others[1] = ((corner[1] - self.lean.foot_px[1] + y) / self.lean.height_px)[:, None]
        others[2] = np.log2(self.look_cm / 0.4)
        return said_of(whole, others, self.settings.network, ALONG_CELL)

    def _counting(
        self,
        outs: Sequence[np.ndarray],
        square: Sequence[int],
        cm: float,
        to_px: Callable[[np.ndarray, np.ndarray], np.ndarray],
    ) -> TileStems:
        """Peaks that belong to the square, of all pictures drawn of it."""
        settings = self.settings
        crop, of = peaks_of(outs, 0, settings.lowest_probability, settings.apart_cm / cm, ALONG_CELL)
        weed, of_weed = peaks_of(outs, 1, settings.weed_probability, settings.weeds_apart_cm / cm, ALONG_CELL)
        crop_px, weed_px = to_px(crop.xy_px, of), to_px(weed.xy_px, of_weed)
        crop_p = crop.probability * np.where(self.cells.held(self.near, crop_px), 1.0, settings.no_green_share)
        own = self._own(crop_px, square) & (crop_p >= settings.lowest_probability)
        own_weed = self._own(weed_px, square) & self.cells.held(self.near, weed_px)
        none = np.zeros(len(crop))
        every = TileStems(
            crop_px, crop_p, crop.sd_px * cm / self.cm, none, weed_px, weed.probability, np.zeros(len(weed))
        )
        return every.at(own, own_weed)

    def _own(self, px: np.ndarray, square: Sequence[int]) -> np.ndarray:
        wide = SEAM_CM / self.cm + 0.5
        inside = (px >= np.array(square[:2]) - wide) & (px < np.array(square[2:]) - 1 + wide)
        return np.asarray(inside.all(axis=1))


def with_areas(stems: TileStems, squares: np.ndarray, reach_px: float) -> TileStems:
    """The stems, each with the green that lies nearest to it, out to ``reach_px``, added to what it has.

    Parameters
    ----------
    stems : TileStems
    squares : (k, 3) array
        Of :meth:`standcam.plants.green_cells.GreenCells.areas`, in the pixels of the stems.
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
