"""The upper half for strips: tiles of a mosaic go in one by one, rows and plants of the whole strip come out.

Looking at a tile (:class:`LookAtTile`) needs nothing of other tiles and gives little, so tiles can be spread over
processes and kept on disk; :func:`measure_strip` puts what they gave together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.images.raster import Raster
from standcam.images.raster_read import Tile, Window, read_window, squares
from standcam.images.small_picture import SmallPart, joined, small_part, small_step
from standcam.plants.green_cells import green_cells
from standcam.plants.strip_plants import StripPlants, StripSeen, green_of, plants_of, without_seams
from standcam.plants.strip_stems import SEAM_CM, TileStems, look_over_tile, with_areas
from standcam.rows.passes import PassLabels, label_passes
from standcam.rows.strip import StripRows, find_strip_rows
from standcam.rows.valid_ground import Extent
from standcam.settings import Settings
from standcam.vegetation.segment import score_table

CELL_PX = 16
"""Side of the squares of which a strip remembers whether they show ground. [px]"""
SOIL_WINDOWS, SOIL_PX = 6, 192
"""The strip's soil is learnt from so many windows along either side, each so wide. [px]"""
GREEN_CELL_CM, GREEN_REACH_CM = 3.0, 12.0
"""In pictures too coarse for stems, rows are found from the green in squares so wide, and green so far from a row's
line is the row's. [cm]"""


@dataclass(frozen=True)
class TileFinds:
    """What one tile gave, in pixels of the raster; only what its core owns."""

    stems: TileStems
    green: np.ndarray
    """Where it is green: x, y [px], and green pixels there. Only where stems cannot be told. (k, 3)"""
    hidden: np.ndarray
    """Squares of CELL_PX, column and row, whose middle shows no ground. (k, 2) int"""
    pixels: int = 0
    """Pixels of the core that show ground."""
    rim: np.ndarray = field(default_factory=lambda: np.empty((0, 3), np.float32))
    """Green along seams, x, y [px] and green pixels, which may belong to stems of another tile. (k, 3) float32"""
    small: SmallPart = field(default_factory=SmallPart)
    """Its part of the small picture of all."""


@dataclass(frozen=True)
class LookAtTile:
    """Looks at one tile: a picklable function of a window."""

    raster: Raster
    settings: Settings
    table: np.ndarray
    """Greenness by colour for the soil of the strip, of :func:`soil_table`."""

    def __call__(self, window: Window) -> TileFinds:
        """Read and look."""
        if window.empty:
            return self._nothing(window, None)
        tile = read_window(self.raster, window)
        if tile.valid is not None and not tile.valid.any():
            return self._nothing(window, tile)
        chosen = self.settings.strip_stems
        corner = (tile.x0, tile.y0)
        cm_per_px = self.raster.mm_per_px / 10
        green = green_cells(tile.rgb, self.table, cm_per_px, chosen, tile.valid, corner)
        stems, cells, rim = TileStems.none(), np.empty((0, 3)), np.empty((0, 3), np.float32)
        x0, y0, x1, y1 = window.core
        core = (x0 - tile.x0, y0 - tile.y0, x1 - tile.x0, y1 - tile.y0)
        if self.raster.stems_possible:
            # squares lie on a grid of the raster, and cores are cut along it: finds are the same in all tiles
            parts = [
                (left - tile.x0, top - tile.y0, right - tile.x0, bottom - tile.y0)
                for left, top, right, bottom in squares(self.raster, window, self.settings.raster)
            ]
            found = look_over_tile(tile.rgb, green, chosen, None, parts, corner)
            stems = replace(found, crop_px=found.crop_px + corner, weed_px=found.weed_px + corner)
            area = green.areas(core, corner)
            reach = chosen.plant_reach_cm / cm_per_px
            west, north, east, south = window.owned
            x, y = area[:, :2].T
            to_seam = np.minimum.reduce([x - west, east - x, y - north, south - y])
            inner = to_seam > reach + 1 + SEAM_CM / cm_per_px
            stems, rim = with_areas(stems, area[inner], reach), area[~inner].astype(np.float32)
        else:
            cells = _green_cells(green.hint, max(1, round(GREEN_CELL_CM / cm_per_px)))
            cells[:, :2] += corner
            cells = cells[window.owns(cells[:, :2])]
        hidden = _hidden(window, tile)
        pixels = (x1 - x0) * (y1 - y0)
        if tile.valid is not None:
            pixels = int(tile.valid[y0 - tile.y0 : y1 - tile.y0, x0 - tile.x0 : x1 - tile.x0].sum())
        return TileFinds(stems, cells, hidden, pixels, rim, small_part(tile, window, small_step(self.raster)))

    def _nothing(self, window: Window, tile: Tile | None) -> TileFinds:
        return TileFinds(TileStems.none(), np.empty((0, 3)), _hidden(window, tile))


@dataclass(frozen=True)
class Site:
    """The ground of a strip, whatever showed it: a mosaic, or the frames of a flight."""

    name: str
    """Of the file, or of the folder of frames."""
    stem: str
    """The same without ending: what the plot is called where there are none."""
    mm_per_px: float
    origin_m: tuple[float, float]
    """Easting and northing of the ground frame's zero. [m]"""
    crs_wkt: str
    """"" for a local frame."""
    crs_name: str
    bounds_m: tuple[float, float, float, float]
    """West, south, east, north. [m]"""
    stems_possible: bool
    hectares: float
    """Ground shown. [ha]"""
    extent: Extent
    """Outline of the ground shown, or a function that tells of points whether they are. [cm]"""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StripMeasurement:
    """All that one strip gave."""

    site: Site
    rows: StripRows
    passes: PassLabels
    plants: pd.DataFrame
    """PLANTS, rows numbered through the strip and positions on the scale of each row, with easting_m, northing_m. Where
    stems cannot be told, squares of green on rows, judged so."""
    flags: int = 0
    notes: tuple[str, ...] = ()
    small: np.ndarray | None = None
    """The mosaic in a small picture, north up, where there is one: to lie under maps. (h, w, 3) uint8"""


def soil_table(raster: Raster) -> np.ndarray:
    """Greenness by colour for the soil of the whole strip, from windows all over it. uint8 (65536,)"""
    pieces = []
    for y in _spread(raster.height_px):
        for x in _spread(raster.width_px):
            size = min(SOIL_PX, raster.width_px), min(SOIL_PX, raster.height_px)
            tile = read_window(raster, Window.of(x, y, *size))
            pieces.append(tile.rgb[::2, ::2].reshape(-1, 3) if tile.valid is None else tile.rgb[tile.valid][::4])
    colours = np.concatenate(pieces)
    if not len(colours):
        return score_table(np.full((1, 1, 3), 128, np.uint8))
    return score_table(colours[None])


def measure_strip(raster: Raster, finds: Iterable[TileFinds], settings: Settings | None = None) -> StripMeasurement:
    """Rows and plants of a strip from what its tiles gave.

    Parameters
    ----------
    raster : Raster
    finds : iterable of TileFinds
        Of all tiles, in any order.
    settings : Settings, optional
    """
    settings = settings or Settings()
    finds = list(finds)
    green = np.concatenate([f.green for f in finds]) if finds else np.empty((0, 3))
    green[:, :2] = raster.ground.to_ground(green[:, :2])
    green[:, 2] *= (raster.mm_per_px / 10) ** 2
    site = Site(
        name=raster.path.name,
        stem=raster.path.stem,
        mm_per_px=raster.mm_per_px,
        origin_m=raster.origin_m,
        crs_wkt=raster.crs_wkt,
        crs_name=raster.crs_name,
        bounds_m=raster.bounds_m,
        stems_possible=raster.stems_possible,
        hectares=sum(f.pixels for f in finds) * (raster.mm_per_px / 1000) ** 2 / 10_000,
        extent=_extent(raster, finds),
        notes=raster.notes,
    )
    m = strip_of(site, without_seams(_seen(raster, finds, settings), settings.strip_stems), green, settings)
    x, y = raster.to_source_pixels(m.plants[["easting_m", "northing_m"]].to_numpy(float)).T
    north_up = raster.transform[1] == raster.transform[3] == 0
    small = joined(raster, (f.small for f in finds)) if north_up else None
    return replace(m, plants=m.plants.assign(x_px=x, y_px=y), small=small)


def strip_of(site: Site, seen: StripSeen, green: np.ndarray, settings: Settings) -> StripMeasurement:
    """Rows and plants of a strip from all that was seen on its ground.

    Parameters
    ----------
    site : Site
    seen : StripSeen
        Each plant once.
    green : (k, 3) array
        Where stems cannot be told: squares of green, x, y [cm] and area [cm²].
    settings : Settings

    Returns
    -------
    StripMeasurement
        Pixels of its plants are missing: whoever knows the pictures adds them.
    """
    points, weights = seen.crop_cm, seen.crop_heat
    if not site.stems_possible:
        points, weights = green[:, :2], green[:, 2]
    rows = find_strip_rows(points, weights, settings.strip_rows, settings.spacing.row_width_cm, site.extent)
    if site.stems_possible:
        found = plants_of(seen, rows, site.mm_per_px / 10, settings.strip_stems)
    else:
        found = green_of(points, weights, rows, GREEN_REACH_CM)
    bits = 0 if len(rows.rows) and (found.judged != "weed").any() else flags.bit("no_plants")
    passes = label_passes(rows, settings.planter.row_units, settings.passes)
    return StripMeasurement(
        site=site,
        rows=rows,
        passes=passes,
        plants=_table(site, found, settings),
        flags=bits,
        notes=tuple(dict.fromkeys([*site.notes, *rows.notes, *passes.notes])),
    )


def _seen(raster: Raster, finds: Sequence[TileFinds], settings: Settings) -> StripSeen:
    if not finds:
        return StripSeen.none()
    cm = raster.mm_per_px / 10
    every = TileStems(*(np.concatenate([getattr(f.stems, name) for f in finds]) for name in vars(finds[0].stems)))
    # in an order that does not hang on tiles: sums of numbers do
    every = every.at(np.lexsort(every.crop_px.T), np.lexsort(every.weed_px.T))
    every = with_areas(every, np.concatenate([f.rim for f in finds]), settings.strip_stems.plant_reach_cm / cm)
    return StripSeen(
        raster.ground.to_ground(every.crop_px),
        every.crop_probability,
        every.crop_sd_px * cm,
        every.crop_area_px * cm**2,
        raster.ground.to_ground(every.weed_px),
        every.weed_probability,
        every.weed_area_px * cm**2,
    )


def _table(site: Site, found: StripPlants, settings: Settings) -> pd.DataFrame:
    """PLANTS of the strip, without pixels."""
    bits = np.where(found.near_another, flags.bit("split"), 0)
    bits |= np.where(found.area_cm2 < settings.stems.weak_area_cm2, flags.bit("weak"), 0)
    known, code = np.unique(bits, return_inverse=True)
    east, north = (np.array(site.origin_m) + found.points_cm / 100).T
    frame = pd.DataFrame(
        {
            "photo": site.name,
            "plot": site.stem,
            "row": found.row + 1,
            "plant": np.arange(1, len(found) + 1),
            "position_cm": found.position_cm,
            "offset_cm": found.offset_cm,
            "position_sd_cm": found.position_sd_cm,
            "area_cm2": found.area_cm2,
            "crop_probability": found.crop_probability,
            "is_crop": found.is_crop,
            "flags": np.array([flags.words(b) for b in known], object)[code],
            "judged": found.judged,
            "easting_m": east,
            "northing_m": north,
        }
    )
    return tables.conform(tables.PLANTS, frame)


def _spread(size_px: int) -> list[int]:
    """Corners of windows along a side, evenly spread."""
    last = max(size_px - SOIL_PX, 0)
    count = max(1, min(SOIL_WINDOWS, size_px // SOIL_PX))
    return [round(last * (k + 0.5) / count) for k in range(count)]


def _green_cells(green: np.ndarray, side: int) -> np.ndarray:
    """Squares with green: middle x, y [px] and green pixels. (k, 3)"""
    h, w = (n // side for n in green.shape)
    if not h or not w:
        return np.empty((0, 3))
    whole = green[: h * side, : w * side].astype(np.float32)
    count = cv2.resize(whole, (w, h), interpolation=cv2.INTER_AREA) * side**2
    y, x = np.nonzero(count > 0.5)
    return np.stack([x * side + (side - 1) / 2, y * side + (side - 1) / 2, count[y, x]], axis=1)


def _hidden(window: Window, tile: Tile | None) -> np.ndarray:
    """Squares of the core without ground; all of them where there is no tile."""
    if tile is not None and tile.valid is None:
        return np.empty((0, 2), np.int32)
    x0, y0, x1, y1 = window.core
    half = CELL_PX // 2
    column = np.arange(-(-(x0 - half) // CELL_PX), -(-(x1 - half) // CELL_PX))
    row = np.arange(-(-(y0 - half) // CELL_PX), -(-(y1 - half) // CELL_PX))
    column, row = column[column >= 0], row[row >= 0]
    grid = np.stack(np.meshgrid(column, row), axis=-1).reshape(-1, 2).astype(np.int32)
    if tile is None or tile.valid is None:
        return grid
    x, y = (grid * CELL_PX + half - np.array([tile.x0, tile.y0])).T
    return grid[~tile.valid[y, x]]


def _extent(raster: Raster, finds: Sequence[TileFinds]) -> Extent:
    """Whether a ground point is shown: a function of points, or the corners of the raster where all of it is."""
    w, h = raster.width_px, raster.height_px
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5
    hidden = [f.hidden for f in finds if len(f.hidden)]
    if not hidden:
        return raster.ground.to_ground(corners)
    shown = np.ones((-(-h // CELL_PX), -(-w // CELL_PX)), bool)
    x, y = np.concatenate(hidden).T
    shown[np.clip(y, 0, shown.shape[0] - 1), np.clip(x, 0, shown.shape[1] - 1)] = False

    def is_shown(points_cm: np.ndarray) -> np.ndarray:
        px = raster.ground.to_pixels(points_cm) + 0.5
        inside = (px >= 0).all(axis=1) & (px < [w, h]).all(axis=1)
        at = np.clip(np.nan_to_num(px) // CELL_PX, 0, np.array(shown.shape[::-1]) - 1).astype(int)
        return inside & shown[at[:, 1], at[:, 0]]

    return is_shown
