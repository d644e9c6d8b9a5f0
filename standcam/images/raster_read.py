"""Pixels of a raster, piece by piece: windows with margins, their colours, and which of them hold data.

A pixel comes out the same in whichever window it is read: results do not depend on how the raster is cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np

from standcam.images.raster import Raster
from standcam.images.raster_file import close_rasters, dataset
from standcam.settings import RasterSettings

if TYPE_CHECKING:
    pass

__all__ = ["Tile", "Window", "close_rasters", "read_window", "squares", "tiles"]

MOST_WINDOW_PX = 300_000_000
"""Larger windows are a mistake of the caller, whose memory they would fill. [px]"""
GRID_PX = 512
SQUARE_MM, ROOMY_MM, ROOMY_PX = 3000.0, 4000.0, 1536
"""Finds are made within squares of a whole number of GRID_PX, at least SQUARE_MM wide, and ROOMY_MM where that is no
more than ROOMY_PX; cores are cut along them: finds are then the same whatever the tiles. Larger squares look less at
what their neighbours look at too, but rows bend within them. [mm], [mm], [px]"""
_PIECE_PX = 12_000_000
"""Read at once where more than one pixel of the file goes into one of the raster. [px]"""
_SPECK_PX = 5
"""Pixels of the colour of no data in clumps narrower than this are dark or burnt ground. [px]"""
_OPAQUE = 128
_COARSE_PX = 4_000_000


@dataclass(frozen=True)
class Window:
    """A piece of a raster: its core, which no other piece has, and a margin of its neighbours."""

    index: int
    x0: int
    """Of the first pixel, margin included. [px]"""
    y0: int
    width_px: int
    height_px: int
    core: tuple[int, int, int, int]
    """x0, y0, x1, y1, the latter two beyond the last pixel. [px]"""
    owned: tuple[float, float, float, float]
    """Range of places that belong to it, half open; endless at the raster's edges. [px]"""
    empty: bool = False
    """Known without reading to hold no data."""

    @classmethod
    def of(cls, x0: int, y0: int, width_px: int, height_px: int) -> Window:
        """Any window, without margin."""
        core = (x0, y0, x0 + width_px, y0 + height_px)
        return cls(0, x0, y0, width_px, height_px, core, (core[0] - 0.5, core[1] - 0.5, core[2] - 0.5, core[3] - 0.5))

    def owns(self, points_px: np.ndarray) -> np.ndarray:
        """Which places of the raster belong to it and to no other window. (n, 2) [px] -> bool (n,)"""
        points = np.asarray(points_px, float).reshape(-1, 2)
        west, top, east, bottom = self.owned
        return (
            (points[:, 0] >= west) & (points[:, 0] < east) & (points[:, 1] >= top) & (points[:, 1] < bottom)
        )  # fmt: skip


@dataclass(frozen=True)
class Tile:
    """Pixels of a window."""

    rgb: np.ndarray
    """uint8; black where there are no data. (h, w, 3)"""
    valid: np.ndarray | None
    """bool (h, w); None where all pixels hold data."""
    x0: int
    """Of its first pixel in the raster. [px]"""
    y0: int

    @property
    def is_empty(self) -> bool:
        """No pixel holds data."""
        return self.valid is not None and not self.valid.any()


def tiles(raster: Raster, settings: RasterSettings | None = None) -> list[Window]:
    """Windows whose cores cover the raster without gap or overlap, line by line from the top.

    Windows begin where blocks of the file begin, as far as they can. Windows that overviews show to be without data are
    marked ``empty``.
    """
    settings = settings or RasterSettings()
    margin = math.ceil(settings.margin_cm * 10 / raster.mm_per_px)
    blocks = (1, 1) if raster.warped else raster.block_px
    square = square_px(raster.mm_per_px)
    xs = _cuts(raster.width_px, settings.tile_px, margin, blocks[0], raster.factor, square)
    ys = _cuts(raster.height_px, settings.tile_px, margin, blocks[1], raster.factor, square)
    coarse = _coarse_valid(raster)
    windows: list[Window] = []
    for y0, y1 in pairwise(ys):
        for x0, x1 in pairwise(xs):
            left, top = max(0, x0 - margin), max(0, y0 - margin)
            right, bottom = min(raster.width_px, x1 + margin), min(raster.height_px, y1 + margin)
            owned = (
                x0 - 0.5 if x0 else -math.inf,
                y0 - 0.5 if y0 else -math.inf,
                x1 - 0.5 if x1 < raster.width_px else math.inf,
                y1 - 0.5 if y1 < raster.height_px else math.inf,
            )
            empty = coarse is not None and not coarse.any_in(raster, left, top, right, bottom)
            core = (x0, y0, x1, y1)
            windows.append(Window(len(windows), left, top, right - left, bottom - top, core, owned, empty))
    return windows


def square_px(mm_per_px: float) -> int:
    """Side of the squares that finds are made in. [px]"""
    least, roomy = (GRID_PX * math.ceil(mm / (GRID_PX * mm_per_px)) for mm in (SQUARE_MM, ROOMY_MM))
    return max(least, min(roomy, ROOMY_PX), GRID_PX)


def squares(raster: Raster, window: Window, settings: RasterSettings | None = None) -> list[tuple[int, int, int, int]]:
    """Squares that make up the core of a window: x0, y0, x1, y1 each, the latter two beyond the last pixel. [px]"""
    settings = settings or RasterSettings()
    margin = math.ceil(settings.margin_cm * 10 / raster.mm_per_px)
    side = square_px(raster.mm_per_px)
    x0, y0, x1, y1 = window.core
    xs, ys = (
        sorted({low, high, *(c for c in square_cuts(length, side, margin) if low < c < high)})
        for length, low, high in ((raster.width_px, x0, x1), (raster.height_px, y0, y1))
    )
    return [(left, top, right, bottom) for top, bottom in pairwise(ys) for left, right in pairwise(xs)]


def square_cuts(length: int, side: int, margin: int = 0) -> list[int]:
    """Where squares end along a side; what is left at its end belongs to the last one, if it is less than half. [px]"""
    return _trimmed([0, *range(side + margin, length, side), length], side // 2)


def _cuts(length: int, tile: int, margin: int, block: int, factor: int, square: int) -> list[int]:
    """Where cores end, so that windows begin with blocks: a line of them more is decoded on two sides, not on four."""
    step = block // math.gcd(block, factor)
    least = tile // 4
    if tile >= square:
        step, least = (square if math.lcm(step, square) > tile else math.lcm(step, square)), max(least, square // 2)
    if step <= tile:
        tile = max(1, round(tile / step)) * step
    return _trimmed([0, *range(tile + margin, length, tile), length], least)


def _trimmed(cuts: list[int], least: int) -> list[int]:
    """Cuts without a sliver at the end."""
    if len(cuts) > 2 and cuts[-1] - cuts[-2] < least:
        del cuts[-2]
    return cuts


def read_window(raster: Raster, window: Window) -> Tile:
    """Colours of a window, and which of its pixels hold data.

    Raises
    ------
    UnreadableRaster
        The file is damaged there, is gone or was changed.
    ValueError
        The window reaches beyond the raster, or is too large.
    """
    x0, y0, w, h = window.x0, window.y0, window.width_px, window.height_px
    if min(x0, y0) < 0 or min(w, h) < 1 or x0 + w > raster.width_px or y0 + h > raster.height_px:
        raise ValueError(f"window {x0}, {y0}, {w} x {h} reaches beyond {raster.width_px} x {raster.height_px}")
    if w * h > MOST_WINDOW_PX:
        raise ValueError(f"window of {w} x {h} pixels")
    f = raster.factor
    if f == 1 and not raster.warped:
        rgb, valid = _read_source(raster, x0, y0, w, h)
        return _tile(rgb, valid, x0, y0)
    rgb = np.empty((h, w, 3), np.uint8)
    valid = np.empty((h, w), bool) if raster.has_valid else None
    for top, rows in _lines(h, w * f * f):
        piece, there = _read_working(raster, x0 * f, (y0 + top) * f, w * f, rows * f)
        if f > 1:
            cv2.resize(piece, (w, rows), dst=rgb[top : top + rows], interpolation=cv2.INTER_AREA)
        else:
            rgb[top : top + rows] = piece
        if valid is not None:
            valid[top : top + rows] = True if there is None else _all_of(there, f)
    if valid is not None and f > 1:
        rgb[~valid] = 0  # mixed with no data
    return _tile(rgb, valid, x0, y0)


def _tile(rgb: np.ndarray, valid: np.ndarray | None, x0: int, y0: int) -> Tile:
    return Tile(rgb, None if valid is None or valid.all() else valid, x0, y0)


def _lines(height: int, px_a_line: int) -> Iterator[tuple[int, int]]:
    step = max(1, _PIECE_PX // px_a_line)
    for top in range(0, height, step):
        yield top, min(step, height - top)


def _all_of(there: np.ndarray, f: int) -> np.ndarray:
    h, w = there.shape[0] // f, there.shape[1] // f
    return np.asarray(there.reshape(h, f, w, f).all(axis=(1, 3)))


def _read_working(raster: Raster, x0: int, y0: int, w: int, h: int) -> tuple[np.ndarray, np.ndarray | None]:
    """Pixels of the working grid before reduction."""
    if raster.warp is None:
        return _read_source(raster, x0, y0, w, h)
    columns, rows = raster.warp.source_grid(x0, y0, w, h)
    blank = np.zeros((h, w, 3), np.uint8), np.zeros((h, w), bool)
    if not (np.isfinite(columns).all() and np.isfinite(rows).all()):
        return blank
    left, top = max(0, math.floor(columns.min())), max(0, math.floor(rows.min()))
    right = min(raster.source_width_px, math.floor(columns.max()) + 2)
    bottom = min(raster.source_height_px, math.floor(rows.max()) + 2)
    if right <= left or bottom <= top:
        return blank
    if h > 64 and (right - left) * (bottom - top) > 3 * _PIECE_PX:  # aslant: halves have smaller rectangles about them
        parts = [_read_working(raster, x0, y0, w, h // 2), _read_working(raster, x0, y0 + h // 2, w, h - h // 2)]
        held = [np.ones(rgb.shape[:2], bool) if v is None else v for rgb, v in parts]
        return np.concatenate([rgb for rgb, _ in parts]), np.concatenate(held)
    rgb, valid = _read_source(raster, left, top, right - left, bottom - top)
    x, y = (columns - left).astype(np.float32), (rows - top).astype(np.float32)
    drawn = cv2.remap(rgb, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    there = np.full(rgb.shape[:2], 255, np.uint8) if valid is None else valid.astype(np.uint8) * 255
    # a pixel holds data where all four that it is made of do
    there = cv2.remap(there, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0) == 255
    drawn[~there] = 0
    return drawn, there


def _read_source(raster: Raster, x0: int, y0: int, w: int, h: int) -> tuple[np.ndarray, np.ndarray | None]:
    """Pixels of the file: 8 bits, and where there are data (None: everywhere)."""
    from rasterio.windows import Window as Piece

    by_colour = raster.nodata is not None
    apron = _SPECK_PX if by_colour else 0  # clumps are told apart with their surroundings
    left, top = max(0, x0 - apron), max(0, y0 - apron)
    right, bottom = min(raster.source_width_px, x0 + w + apron), min(raster.source_height_px, y0 + h + apron)
    piece = Piece(left, top, right - left, bottom - top)
    valid = None
    with dataset(raster.opening) as file:
        if raster.alpha_band is not None:
            read = file.read([*raster.bands, raster.alpha_band], window=piece)
            valid = read[3] >= (_OPAQUE if read.dtype == np.uint8 else _OPAQUE * 257)
        else:
            read = file.read(raster.bands, window=piece)
        if raster.validity == "mask":
            valid = file.read_masks(raster.bands[0], window=piece) >= _OPAQUE
    inner = (slice(y0 - top, y0 - top + h), slice(x0 - left, x0 - left + w))
    if by_colour:
        valid = ~_clumps(_no_data(raster, read))[inner]
        read = read[:, inner[0], inner[1]]
    rgb = cv2.merge([_eight_bits(raster, band) for band in read[:3]])
    if valid is not None:
        if valid.all():
            valid = None
        else:
            rgb[~valid] = 0
    return rgb, valid


def _no_data(raster: Raster, read: np.ndarray) -> np.ndarray:
    """Where all bands have the value of no data. bool (h, w)"""
    found = np.ones(read.shape[1:], bool)
    tolerance = raster.nodata_tolerance
    for band, value in zip(read, raster.nodata or (), strict=False):
        if tolerance:
            found &= (band >= max(0.0, value - tolerance)) & (band <= value + tolerance)
        else:
            found &= band == value
    return found


def _clumps(found: np.ndarray) -> np.ndarray:
    if not found.any():
        return found
    box = np.ones((_SPECK_PX, _SPECK_PX), np.uint8)
    return cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_OPEN, box).astype(bool)


@lru_cache(maxsize=4)
def _levels(low: float, high: float) -> np.ndarray:
    values = (np.arange(65536) - low) * (255 / (high - low))
    return np.clip(np.round(values), 0, 255).astype(np.uint8)


def _eight_bits(raster: Raster, band: np.ndarray) -> np.ndarray:
    return band if raster.stretch is None else _levels(*raster.stretch)[band]


@dataclass(frozen=True)
class _Coarse:
    """Sums of an overview's pixels that hold data, for asking by rectangle."""

    sums: np.ndarray
    source: tuple[int, int]

    def any_in(self, raster: Raster, x0: int, y0: int, x1: int, y1: int) -> bool:
        f = raster.factor
        box = np.array([[x0, y0], [x1, y1]], float) * f - 0.5
        if raster.warp is not None:
            part = np.linspace(0, 1, 5)
            xs, ys = (box[0, k] + (box[1, k] - box[0, k]) * part for k in (0, 1))
            box = raster.warp.source_px(np.stack(np.meshgrid(xs, ys), axis=2).reshape(-1, 2))
            if not np.isfinite(box).all():
                return True
        h, w = self.sums.shape[0] - 1, self.sums.shape[1] - 1
        scale = np.array([w, h]) / self.source
        low = np.floor(box.min(axis=0) * scale).astype(int) - 1
        high = np.ceil(box.max(axis=0) * scale).astype(int) + 2
        (left, top), (right, bottom) = np.clip(low, 0, [w, h]), np.clip(high, 0, [w, h])
        s = self.sums
        return bool(s[bottom, right] - s[top, right] - s[bottom, left] + s[top, left] > 0)


def _coarse_valid(raster: Raster) -> _Coarse | None:
    """Where there are data, by the file's overviews; None where it has none, or all pixels hold data."""
    if not raster.has_overviews or raster.validity == "all":
        return None
    with dataset(raster.opening) as file:
        sides = [(max(1, raster.source_width_px // s), max(1, raster.source_height_px // s))
                 for s in file.overviews(raster.bands[0])]  # fmt: skip
        w, h = next((side for side in sides if side[0] * side[1] <= _COARSE_PX), sides[-1])
        if w * h > 16 * _COARSE_PX:
            return None
        if raster.alpha_band is not None:
            seen = file.read(raster.alpha_band, out_shape=(h, w)) > 0
        elif raster.validity == "mask":
            seen = file.read_masks(raster.bands[0], out_shape=(h, w)) > 0
        else:
            seen = ~_no_data(raster, file.read(raster.bands, out_shape=(3, h, w)))
    return _Coarse(cv2.integral(seen.astype(np.uint8)), (raster.source_width_px, raster.source_height_px))
