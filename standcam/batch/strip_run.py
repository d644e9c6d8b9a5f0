"""Strips in, tables out: tiles looked at on all cores, kept on disk as they are done, and put together at the end.

A tile knows nothing of other tiles, so that :func:`standcam.batch.pool.map_jobs` can spread them, and a run that is
killed goes on with the tiles that are missing (:class:`standcam.batch.store.WorkStore`).
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from standcam.batch.looked import looked
from standcam.batch.pool import give_freed_memory_back, keep_freed_memory
from standcam.batch.progress import UNSEEN, Progress
from standcam.batch.store import WorkStore, looking_key
from standcam.batch.strip_count import StripCount, counted
from standcam.errors import LostTile
from standcam.images.raster import Raster, raster_sha256
from standcam.images.raster_read import Window, close_rasters, square_px, tiles
from standcam.measure_strip import LookAtTile, TileFinds, measure_strip, soil_table
from standcam.settings import Settings
from standcam.strips.plots import Plots

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_STAGES = ("raster", "strip_stems")
"""Settings that what a tile gives depends on."""


def count_strip(
    raster: Raster,
    settings: Settings,
    plots: Plots | None = None,
    *,
    store: WorkStore | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress = UNSEEN,
) -> StripCount:
    """Find rows and plants of a strip and summarise them by plots.

    Parameters
    ----------
    raster : Raster
    settings : Settings
    plots : Plots, optional
        Without them the whole strip is one plot.
    store : WorkStore, optional
        Takes what each tile gave, and gives back what it holds already.
    workers : int
        Processes to use.
    scheduler : str, optional
        Address of a Dask scheduler whose workers are used instead; they must see the file under the same path.
    progress : Progress, optional
        Told of each tile.
    """
    # finds are made in squares: smaller tiles would cut them
    least = square_px(raster.mm_per_px) if raster.stems_possible else 0
    windows = tiles(raster, replace(settings.raster, tile_px=max(settings.raster.tile_px, least)))
    look = LookAtTile(raster, settings, soil_table(raster))
    sha256 = raster_sha256(raster)
    keys = _keys(look, windows, sha256)
    here = workers == 1 and scheduler is None
    if here:
        keep_freed_memory()
    else:
        close_rasters()  # others read from now on
        give_freed_memory_back()
    finds, reused = looked(look, windows, keys, store, workers, scheduler, _lost, progress)
    close_rasters()
    if here:
        give_freed_memory_back()
    measurement = measure_strip(raster, finds, settings)
    record = {
        "photo": raster.path.name,
        "path": str(raster.path.resolve()),
        "sha256": sha256,
        "width_px": raster.source_width_px,
        "height_px": raster.source_height_px,
        "scale_method": "geotiff",
        "notes": list(raster.notes),
    }
    return replace(
        counted(measurement, settings, plots, raster.to_source_pixels),
        pieces=len(windows),
        reused=reused,
        keys=frozenset(keys),
        inputs=(record,),
    )


def _keys(look: LookAtTile, windows: list[Window], sha256: str) -> list[str]:
    """Names of the tiles' pieces: all that what they give depends on."""
    chosen = look.settings.to_dict()
    whole = looking_key(
        {name: chosen[name] for name in _STAGES},
        [look.settings.strip_stems.network],
        raster=sha256,
        soil=hashlib.sha256(look.table.tobytes()).hexdigest(),
    )
    return [hashlib.sha256(f"{whole}:{window}".encode()).hexdigest()[:40] for window in windows]


def _lost(window: Window) -> TileFinds:
    raise LostTile(
        f"The process that looked at the tile at column {window.x0}, line {window.y0} was ended twice: most likely it "
        "needs more memory than there is.",
        "Close other programs, use fewer --workers, or smaller tiles (raster.tile_px). Tiles done so far are kept.",
    )


def extent_of(raster: Raster) -> BaseGeometry:
    """Outline of a raster on the map. [m]"""
    from shapely.geometry import Polygon

    w, h = raster.width_px, raster.height_px
    return Polygon(raster.to_map(np.array([[0, 0], [w, 0], [w, h], [0, h]], float) - 0.5))
