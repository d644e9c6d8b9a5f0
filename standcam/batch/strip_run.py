"""Strips in, tables out: tiles looked at on all cores, kept on disk as they are done, and put together at the end.

A tile knows nothing of other tiles, so that :func:`standcam.batch.pool.map_jobs` can spread them, and a run that is
killed goes on with the tiles that are missing (:class:`standcam.batch.store.WorkStore`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from standcam import flags
from standcam.batch.pieces import BadPiece, pack, unpack
from standcam.batch.pool import map_jobs
from standcam.batch.store import WorkStore, program_digest
from standcam.errors import LostTile
from standcam.images.raster import Raster, raster_sha256
from standcam.images.raster_read import Window, tiles
from standcam.measure_strip import LookAtTile, StripMeasurement, TileFinds, measure_strip, soil_table
from standcam.settings import Settings
from standcam.spacing.positions import positions_from_plants
from standcam.strips.coarse import coarse_summary
from standcam.strips.cut import CutRows, cut_rows
from standcam.strips.frame import LocalFrame
from standcam.strips.plots import Plots, whole_strip
from standcam.summarise import Summary, summarise
from standcam.trust import finds_unsure

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_STAGES = ("raster", "strip_stems")
"""Settings that what a tile gives depends on."""


@dataclass(frozen=True)
class StripCount:
    """What became of one strip."""

    measurement: StripMeasurement
    plots: Plots
    cut: CutRows
    summary: Summary
    settings: Settings
    """As used: with the row width that was measured, where none was given."""
    notes: tuple[str, ...]
    sha256: str
    """Of the file."""
    tiles: int
    reused: int
    """Tiles that an earlier run had looked at."""
    keys: frozenset[str]
    """Pieces of the store that belong to this run."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Plants, gaps, rows and plots, by the names that results take."""
        return {
            "plants": self.cut.plants,
            "gaps": self.summary.gaps,
            "rows": self.summary.rows,
            "plots": self.summary.plots,
        }

    def record(self, path: Path) -> dict[str, Any]:
        """What run.json tells of the strip."""
        m, raster = self.measurement, self.measurement.raster
        return {
            "photo": m.strip,
            "path": str(path.resolve()),
            "sha256": self.sha256,
            "width_px": raster.source_width_px,
            "height_px": raster.source_height_px,
            "mm_per_px": raster.mm_per_px,
            "crs": raster.crs_name,
            "bounds_m": list(raster.bounds_m),
            "hectares": round(m.hectares, 5),
            "scale_method": "geotiff",
            "rows": len(m.rows.rows),
            "tiles": self.tiles,
            "notes": list(raster.notes),
        }


def count_strip(
    raster: Raster,
    settings: Settings,
    plots: Plots | None = None,
    *,
    store: WorkStore | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    on_stage: Callable[[str, int], None] | None = None,
    on_done: Callable[[object], None] | None = None,
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
    on_stage : callable, optional
        Told what is done next, in a word, and how many steps it has.
    on_done : callable, optional
        Called once a step.
    """
    staged, done = on_stage or (lambda *_: None), on_done or (lambda *_: None)
    windows = tiles(raster, settings.raster)
    look = LookAtTile(raster, settings, soil_table(raster))
    sha256 = raster_sha256(raster)
    staged("Looking", len(windows))
    finds, keys, reused = [], [], 0
    for found, key, before in _looked(look, windows, sha256, store, workers, scheduler):
        finds.append(found)
        keys.append(key)
        reused += before
        done(found)
    measurement = measure_strip(raster, finds, settings)
    settings, told = _with_row_width(settings, measurement)
    plots = plots or whole_strip(raster.path.stem, extent_of(raster), raster.crs_wkt)
    frame = LocalFrame(raster.origin_m)
    cut = cut_rows(
        measurement.rows.rows,
        measurement.plants,
        plots,
        frame,
        settings.plots,
        raster.path.name,
        spells=measurement.rows.spells,
        columns=_units(measurement),
        to_pixels=lambda points_m: _source_px(raster, points_m),
    )
    if raster.stems_possible:
        cut = replace(cut, stretches=_doubted(cut))
        summary = summarise(positions_from_plants(cut.plants), cut.stretches, settings.spacing, settings.statistics)
    else:
        summary = coarse_summary(cut.plants, cut.stretches, settings.maps.gap_cm, settings.spacing)
        cut = replace(cut, plants=cut.plants[:0], outside=cut.outside[:0])
    summary = _described(summary, cut.stretches)
    notes = (*measurement.notes, *told, *plots.notes, *cut.notes, *summary.notes)
    return StripCount(
        measurement=measurement,
        plots=plots,
        cut=cut,
        summary=summary,
        settings=settings,
        notes=tuple(dict.fromkeys(notes)),
        sha256=sha256,
        tiles=len(windows),
        reused=reused,
        keys=frozenset(key for key in keys if key),
    )


def _looked(
    look: LookAtTile,
    windows: list[Window],
    sha256: str,
    store: WorkStore | None,
    workers: int,
    scheduler: str | None,
) -> Iterator[tuple[TileFinds, str, bool]]:
    """What each tile gave, the key of its piece, and whether an earlier run had looked at it."""
    if store is None:
        lost = None if workers == 1 and scheduler is None else _lost
        yield from ((found, "", False) for found in map_jobs(look, windows, workers, scheduler, lost))
        return
    keys = _keys(look, windows, sha256)
    kept: dict[str, TileFinds] = {}
    for key in keys:
        found = _whole(store.get(key))
        if found is not None:
            kept[key] = found
    missing = [window for key, window in zip(keys, windows, strict=True) if key not in kept]
    fresh = map_jobs(look, missing, workers, scheduler, _lost)
    for key in keys:
        if key in kept:
            yield kept.pop(key), key, True
        else:
            found = next(fresh)
            store.put(key, pack(found))
            yield found, key, False


def _whole(piece: bytes | None) -> TileFinds | None:
    if piece is None:
        return None
    try:
        return unpack(piece)
    except BadPiece:
        return None


def _keys(look: LookAtTile, windows: list[Window], sha256: str) -> list[str]:
    """Names of the tiles' pieces: all that what they give depends on."""
    chosen = look.settings.to_dict()
    parts = {
        "program": program_digest(str(files("standcam"))),
        "raster": sha256,
        "settings": {name: chosen[name] for name in _STAGES},
        "soil": hashlib.sha256(look.table.tobytes()).hexdigest(),
    }
    whole = hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()
    return [hashlib.sha256(f"{whole}:{window}".encode()).hexdigest()[:40] for window in windows]


def _lost(window: Window) -> TileFinds:
    raise LostTile(
        f"The process that looked at the tile at column {window.x0}, line {window.y0} was ended twice: most likely it "
        "needs more memory than there is.",
        "Close other programs, use fewer --workers, or smaller tiles (raster.tile_px). Tiles done so far are kept.",
    )


def _with_row_width(settings: Settings, m: StripMeasurement) -> tuple[Settings, list[str]]:
    """Settings with the row width that the rows show, where none was given."""
    widths = [g.row_width_cm for g in m.rows.groups if np.isfinite(g.row_width_cm)]
    if settings.spacing.row_width_cm is not None or not widths:
        return settings, []
    width = round(float(widths[0]), 1)
    said = f"Row width was measured from the rows: {width:g} cm; plants per ha go by it."
    if max(widths) - min(widths) > 0.05 * width:
        said += f" Rows of other directions are {', '.join(f'{w:.1f}' for w in widths[1:])} cm apart."
    return settings.replace("spacing", row_width_cm=width), [said]


def extent_of(raster: Raster) -> BaseGeometry:
    """Outline of a raster on the map. [m]"""
    from shapely.geometry import Polygon

    w, h = raster.width_px, raster.height_px
    return Polygon(raster.to_map(np.array([[0, 0], [w, 0], [w, h], [0, h]], float) - 0.5))


def _units(m: StripMeasurement) -> dict[str, list[Any]]:
    """Pass and row unit of every strip row, missing and empty where they are not known."""
    numbers, units = m.passes.row_pass.tolist(), m.passes.row_unit.tolist()
    return {"pass": [n or pd.NA for n in numbers], "row_unit": [str(u) if u else "" for u in units]}


def _source_px(raster: Raster, points_m: np.ndarray) -> np.ndarray:
    """Pixels of the file, where it is read as it is; else those of the grid it is brought to."""
    return (raster.to_pixels(points_m) + 0.5) * raster.factor - 0.5


def _doubted(cut: CutRows) -> pd.DataFrame:
    """Stretches, with a flag where their finds are unsure."""
    keys = ["plot", "row"]
    listed = cut.plants[cut.plants["judged"] != "weed"]
    unsure = {key for key, part in listed.groupby(keys, sort=False) if finds_unsure(part)}
    words = [
        flags.words(flags.parse(text) | flags.bit("finds_unsure")) if (plot, row) in unsure else text
        for text, plot, row in zip(*(cut.stretches[name] for name in ("flags", *keys)), strict=True)
    ]
    return cut.stretches.assign(flags=pd.Series(words, index=cut.stretches.index, dtype="str"))


_DESCRIBING = ("strip_row", "strip_from_cm", "pass", "row_unit", "treatment", "block")


def _described(summary: Summary, stretches: pd.DataFrame) -> Summary:
    """Rows with what is known of each, and plots with treatment and block."""
    names = [n for n in stretches if n in _DESCRIBING or n.endswith(("easting_m", "northing_m"))]
    keys = ["photo", "plot", "row"]
    rows = summary.rows.merge(stretches[[*keys, *names]], on=keys, how="left")
    of_plot = [n for n in ("treatment", "block") if n in stretches]
    cells = stretches.drop_duplicates("plot")[["plot", *of_plot]]
    return replace(summary, rows=rows, plots=summary.plots.merge(cells, on="plot", how="left"))
