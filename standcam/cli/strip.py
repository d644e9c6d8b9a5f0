"""``standcam strip``: an orthomosaic to tables, map layers and a report."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated, Any

import typer

from standcam.cli import options

if TYPE_CHECKING:
    from standcam.batch.progress import Progress
    from standcam.batch.store import WorkStore
    from standcam.batch.strip_count import StripCount
    from standcam.settings import Settings
    from standcam.strips.plots import Plots


_MANY_BYTES = 3_000_000
"""Files smaller than this are not worth processes."""


class Pattern(StrEnum):
    """How passes are driven."""

    back_and_forth = "back_and_forth"
    one_way = "one_way"


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="strip", no_args_is_help=True)(strip)


def strip(
    ortho: Annotated[
        Path,
        typer.Argument(
            metavar="ORTHO.tif",
            help="Orthomosaic (GeoTIFF), 2 to 10 mm a pixel, or a folder of raw frames of one flight.",
        ),
    ],
    out: options.Out = Path("results"),
    plots: Annotated[
        Path | None, typer.Option("--plots", help="Plot outlines: GeoJSON, GeoPackage or shapefile.")
    ] = None,
    grid: Annotated[
        Path | None, typer.Option("--grid", help="Plot grid (TOML): corner, heading, sizes, alleys, numbering.")
    ] = None,
    survey: options.Survey = None,
    units: options.UnitsOption = None,
    row_width_cm: options.RowWidth = None,
    nominal_cm: options.Nominal = None,
    seeding_rate_ha: options.SeedingRate = None,
    min_trust: options.MinTrust = None,
    mm_per_px: Annotated[
        float | None,
        typer.Option("--mm-per-px", help="Ground length of a pixel, for a picture without place on earth."),
    ] = None,
    name_column: Annotated[
        str | None, typer.Option("--name-column", help="Attribute of the outlines with the plot's name.")
    ] = None,
    treatment_column: Annotated[
        str | None, typer.Option("--treatment-column", help="Attribute of the outlines with the treatment.")
    ] = None,
    trim_m: Annotated[
        float | None, typer.Option("--trim-m", help="Left out at both ends of every row of a plot. [default: 0]")
    ] = None,
    border_rows: Annotated[
        int | None, typer.Option("--border-rows", help="Rows left out at either side of every plot. [default: 0]")
    ] = None,
    planter_rows: Annotated[
        int | None, typer.Option("--planter-rows", help="Row units of the planter: rows are tied to passes and units.")
    ] = None,
    first_row: Annotated[
        int | None, typer.Option("--first-row", help="Number of the leftmost row of the planter's first pass.")
    ] = None,
    pattern: Annotated[
        Pattern | None, typer.Option("--pattern", help="How passes are driven. [default: back_and_forth]")
    ] = None,
    first_heading: Annotated[
        str | None,
        typer.Option(
            "--first-heading",
            metavar="HEADING",
            help="How the first pass was driven: N, NE, ... or along or against the rows' numbering. [default: along]",
        ),
    ] = None,
    height_m: Annotated[
        float | None, typer.Option("--height-m", help="Raw frames: height of the camera above the field.")
    ] = None,
    control_points: Annotated[
        Path | None,
        typer.Option(
            "--control-points",
            help="Raw frames: ground control points (CSV: frame, x_px, y_px, easting_m, northing_m).",
        ),
    ] = None,
    gap_cm: Annotated[
        float | None, typer.Option("--gap-cm", help="Gaps longer than this become lines of the map. [default: 50]")
    ] = None,
    cell_m: Annotated[
        float | None, typer.Option("--cell-m", help="Side of a cell of the zone maps. [default: 5]")
    ] = None,
    geojson: Annotated[bool, typer.Option("--geojson", help="Write the map layers as GeoJSON too.")] = False,
    report: options.Report = None,
    tables: options.Tables = None,
    workers: options.Workers = None,
    scheduler: options.Scheduler = None,
    force: options.Force = False,
) -> None:
    """Find every row and plant from the air, plot by plot and row unit by row unit.

    Writes plants.csv, gaps.csv, rows.csv, plots.csv, problems.csv, run.json, strip.gpkg with the layers plants, rows,
    gaps and plots, strip_map.png and zone maps. Called again after it was broken off, it goes on where it was.
    """
    from datetime import UTC, datetime

    from standcam.batch.pool import check_workers, cores, warm_up

    if scheduler is None and (workers or cores()) > 1 and ortho.is_file() and ortho.stat().st_size > _MANY_BYTES:
        warm_up("standcam.batch.preloaded_strip")  # workers load their libraries while this process loads its own
    from standcam.errors import BadSettings
    from standcam.report.results import ResultsWriter, check_out
    from standcam.report.run_file import run_record

    started = datetime.now(UTC)
    settings = options.gather_settings(survey, units, row_width_cm, nominal_cm, seeding_rate_ha, min_trust=min_trust)
    options.require_positive("--mm-per-px", mm_per_px)
    settings = (
        settings.replace("raster", mm_per_px=mm_per_px)
        .replace(
            "plots",
            name_column=name_column,
            treatment_column=treatment_column,
            trim_m=trim_m,
            border_rows=border_rows,
        )
        .replace("planter", row_units=planter_rows)
        .replace(
            "passes",
            first_row=first_row,
            pattern=None if pattern is None else pattern.value,
            first_heading=first_heading,
        )
        .replace("maps", gap_cm=gap_cm, cell_m=cell_m)
    )
    if plots is not None and grid is not None:
        raise BadSettings("Both --plots and --grid are given.", "Give one of them.")
    check_out(out, force)
    check_workers(workers)
    kinds = options.table_kinds(tables)
    options.require_positive("--height-m", height_m)
    settings = settings.replace("calibration", camera_height_cm=None if height_m is None else height_m * 100).replace(
        "flight", control_points=None if control_points is None else str(control_points)
    )

    from standcam.batch.store import WorkStore
    from standcam.report import screen
    from standcam.report.strip_files import strip_files
    from standcam.report.strip_map import STRIP_MAP

    with WorkStore(out) as store, ResultsWriter(out, force, store.folder) as writer:
        with screen.progress() as progress:
            way = _Frames if ortho.is_dir() or (mm_per_px is None and _is_photo(ortho)) else _Mosaic
            job = way(ortho, settings, workers, scheduler, progress)
            counted = job.count(_outlines(plots, grid, job, settings), store)
        notes = list(counted.notes)
        if counted.reused:
            notes.insert(0, f"{counted.reused} of {counted.pieces} {job.pieces} had been looked at before.")
        frames = counted.tables
        record = run_record("strip", counted.settings, counted.inputs, started, notes, strip=counted.facts())
        files, faults = strip_files(counted, geojson)
        wanted = True if report is None else report
        more = options.results_pages(
            frames, counted.settings, record, out, wanted, kinds, writer, strip_map=files.get(STRIP_MAP)
        )
        record["notes"] = notes = [*notes, *faults, *more]
        writer.finish(**frames, run=record, more=files)
        store.keep(counted.keys)

    screen.show(frames["rows"], frames["gaps"], frames["problems"], counted.settings, out, source="strip", notes=notes)
    if len(frames["problems"]):
        raise typer.Exit(1)


def _load() -> None:
    """Libraries that are needed in the end, when workers would wait for it."""
    from importlib import import_module

    for name in ("scipy.spatial", "scipy.linalg", "scipy.sparse.csgraph", "shapely", "pyogrio", "matplotlib.figure"):
        import_module(name)


def _is_photo(path: Path) -> bool:
    """Whether a file is a camera's, and no mosaic."""
    from standcam.images.suffixes import SUFFIXES

    return path.suffix.lower() in SUFFIXES and not path.suffix.lower().startswith(".tif")


class _Mosaic:
    """An orthomosaic to be counted."""

    pieces = "tiles"

    def __init__(
        self, path: Path, settings: Settings, workers: int | None, scheduler: str | None, progress: Progress
    ) -> None:
        from standcam.batch.pool import worth
        from standcam.images.raster import open_raster
        from standcam.images.raster_read import tiles

        self.settings, self.scheduler, self.progress = settings, scheduler, progress
        self.raster = open_raster(path, settings.raster)
        self.crs_wkt = self.raster.crs_wkt
        self.workers = 1 if scheduler is not None else worth(len(tiles(self.raster, settings.raster)), workers)
        if self.workers > 1:
            Thread(target=_load, daemon=True).start()  # while workers look

    def extent(self) -> Any:
        from standcam.batch.strip_run import extent_of

        return extent_of(self.raster)

    def count(self, plots: Plots | None, store: WorkStore) -> StripCount:
        from standcam.batch.strip_run import count_strip

        return count_strip(self.raster, self.settings, plots, store=store, **_ways(self))


class _Frames:
    """Raw frames of one flight to be counted."""

    pieces = "frames"

    def __init__(
        self, path: Path, settings: Settings, workers: int | None, scheduler: str | None, progress: Progress
    ) -> None:
        from standcam.batch.frame_run import find_frames, place_flight
        from standcam.batch.pool import warm_up, worth

        self.settings, self.scheduler, self.progress = settings, scheduler, progress
        self.workers = 1 if scheduler is not None else worth(len(find_frames(path)), workers)
        if self.workers > 1:
            warm_up()
        self.placed = place_flight(path, settings, **_ways(self))
        self.crs_wkt = self.placed.frames.crs_wkt

    def extent(self) -> Any:
        from standcam.measure_frames import site_of

        return site_of(self.placed.frames, self.placed.name, self.settings).bounds_m

    def count(self, plots: Plots | None, store: WorkStore) -> StripCount:
        from standcam.batch.frame_run import count_frames

        return count_frames(self.placed, self.settings, plots, store=store, **_ways(self))


def _ways(job: _Mosaic | _Frames) -> dict[str, Any]:
    return {"workers": job.workers, "scheduler": job.scheduler, "progress": job.progress}


def _outlines(plots: Path | None, grid: Path | None, job: _Mosaic | _Frames, settings: Settings) -> Plots | None:
    """Plots from a file or a grid; None: the whole strip is one."""
    if plots is None and grid is None:
        return None
    from standcam.strips.grid import grid_plots, read_grid
    from standcam.strips.plots import read_plots

    if plots is not None:
        return read_plots(plots, job.crs_wkt, settings.plots, job.extent())
    assert grid is not None
    return grid_plots(read_grid(grid), job.crs_wkt, settings.plots, job.extent())
