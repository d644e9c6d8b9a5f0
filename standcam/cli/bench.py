"""``standcam bench``: seconds a photo, a batch, a mosaic, many rows to summarise, and finds against truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from standcam.cli import options

if TYPE_CHECKING:
    from standcam.settings import Settings

CsvOut = Annotated[Path | None, typer.Option("--csv", help="Write the numbers to this CSV too.")]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    group = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
    group.command(name="speed")(speed)
    group.command(name="batch")(batch)
    group.command(name="strip")(strip)
    group.command(name="summary")(summary)
    group.command(name="accuracy", no_args_is_help=True)(accuracy)
    app.add_typer(group, name="bench", help="Measure speed on this computer, and accuracy on photos with truth.")


def speed(
    photo: Annotated[
        Path | None,
        typer.Option("--photo", help="JPEG to time. [default: a 12-megapixel photo, made on first use]"),
    ] = None,
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Timed rounds; medians are shown.")] = 7,
    locator: options.LocatorOption = None,
    turns: options.TurnsOption = None,
    csv: CsvOut = None,
    force: options.Force = False,
) -> None:
    """Time one photo from file to tables against the mere decoding of that file."""
    from standcam import benchmark

    _check_csv(csv, force)
    if photo is None:
        photo = benchmark.speed_photo()
    result = benchmark.speed(photo, repeats, options.gather_settings(locator=locator, turns=turns))
    words = {
        "decode": "decode the file (cv2.imread)",
        "read": "read it upright, with hash and EXIF",
        "tables": "file to tables",
        "results": "file to results folder, marked photo too",
    }
    typer.echo(
        f"{photo.name}, {result.megapixels:.1f} megapixels; medians of {repeats} interleaved rounds, "
        f"OpenCV with {result.threads} threads"
    )
    for row in result.steps.itertuples():
        typer.echo(f"  {words[row.step]:<42}{row.median_ms:8.1f} ms{row.times_decoding:7.2f} x decoding")
    typer.echo("Of file to tables, after reading:")
    for row in result.stages.itertuples():
        typer.echo(f"  {row.stage.replace('_', ' '):<42}{row.median_ms:8.1f} ms")
    _write_csv(csv, result.steps, force)


def batch(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[PHOTO_OR_FOLDER]...",
            help="Photos to repeat. [default: a 12-megapixel photo, made on first use]",
        ),
    ] = None,
    many: Annotated[int, typer.Option("--photos", min=2, help="Photos of the batch, repeats under other names.")] = 40,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes to hold against one. [default: all cores]")
    ] = None,
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Rounds; medians are shown.")] = 1,
    locator: options.LocatorOption = None,
    csv: CsvOut = None,
    force: options.Force = False,
) -> None:
    """Time whole counts of many photos, files written: one core against all, and against decoding the same files.

    Without --locator both ways of finding stems are timed.
    """
    import sys

    from standcam import batch_bench, benchmark
    from standcam.batch.inputs import find_inputs
    from standcam.errors import BadSettings
    from standcam.report import screen

    _check_csv(csv, force)
    with screen.console(sys.stderr).status("Making photos", spinner="line") as status:
        paths = [item.path for item in find_inputs(photos)[0]] if photos else [benchmark.speed_photo()]
        if not paths:
            raise BadSettings("There is no photo in what you named.", "Name photos, or folders with photos.")
        table = batch_bench.run(
            paths,
            many,
            batch_bench.LOCATORS if locator is None else (locator.value,),
            workers,
            repeats,
            lambda words: status.update(f"Timing, {words}"),
        )
    typer.echo(
        f"{many} photos, repeats of {len(paths)}; marked photos drawn, no report; medians of {repeats} "
        f"{'round' if repeats == 1 else 'rounds'}\n"
        "One process is held to one OpenCV thread. Decoding is cv2.imread of the same files, one thread: "
        f"{table['decode_ms'].median():.1f} ms a photo"
    )
    head = (
        "locator",
        "processes",
        "whole run s",
        "ms a photo",
        "x decoding",
        "start ms",
        "without start: ms",
        "x decoding",
    )
    cells = [
        (
            r.locator,
            f"{r.processes}",
            f"{r.seconds:.1f}",
            f"{r.ms_per_photo:.0f}",
            f"{r.times_decoding:.1f}",
            f"{r.start_ms:.0f}",
            f"{r.ms_per_photo_without_start:.0f}",
            f"{r.times_decoding_without_start:.1f}",
        )
        for r in table.itertuples()
    ]
    for line in batch_bench.aligned(head, cells):
        typer.echo(f"  {line}")
    for r in table.itertuples():
        if r.processes > 1:
            typer.echo(f"{r.locator}: {r.processes} processes are {r.times_as_fast:.2f} times as fast as one core")
        elif r.peak_mb == r.peak_mb:
            typer.echo(
                f"{r.locator}: one process took {r.cpu_ms_per_photo:.0f} ms of processor a photo, {r.peak_mb:.0f} MB"
            )
    _write_csv(csv, table, force)


def strip(
    ortho: Annotated[
        Path | None,
        typer.Option("--ortho", help="Mosaic to time. [default: the demonstration strip, repeated, made on first use]"),
    ] = None,
    megapixels: Annotated[
        float | None,
        typer.Option("--megapixels", help="Repeat it, mirrored, to so many. [default: 100; with --ortho: as it is]"),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes to hold against one. [default: all cores]")
    ] = None,
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Rounds; medians are shown.")] = 1,
    csv: CsvOut = None,
    force: options.Force = False,
) -> None:
    """Time whole strips, files written: a quarter, half and all of a mosaic, against merely reading the same pixels."""
    import sys

    from standcam import strip_bench
    from standcam.images.raster import open_raster
    from standcam.report import screen
    from standcam.settings import Settings

    options.require_positive("--megapixels", megapixels)
    _check_csv(csv, force)
    with screen.console(sys.stderr).status("Making the mosaic", spinner="line") as status:
        if ortho is None:
            ortho, megapixels = strip_bench.demo_mosaic(), megapixels or 100.0
        open_raster(ortho, Settings().raster)  # says what is wrong with it
        table = strip_bench.run(
            ortho, megapixels, workers, repeats, on_step=lambda words: status.update(f"Timing, {words}")
        )
    typer.echo(
        f"{ortho.name}; whole runs of `standcam strip`, no report; medians of {repeats} "
        f"{'round' if repeats == 1 else 'rounds'}\n"
        "One process is held to one thread. Reading is rasterio alone, along the blocks, one thread, start not counted."
    )
    for line in strip_bench.table_lines(table):
        typer.echo("  " + line)
    _write_csv(csv, table, force)


def summary(
    rows: Annotated[int, typer.Option("--rows", min=1, help="Rows to summarise.")] = 100_000,
    plants: Annotated[int, typer.Option("--plants", min=1, help="Seeds in each row.")] = 50,
    rows_per_plot: Annotated[int, typer.Option("--rows-per-plot", min=1, help="Rows that share a plot.")] = 4,
    csv: CsvOut = None,
    force: options.Force = False,
) -> None:
    """Time the way from positions to tables, intervals included, on made-up rows."""
    import dataclasses

    import pandas as pd

    from standcam import benchmark

    _check_csv(csv, force)
    result = benchmark.summary(rows, plants, rows_per_plot)
    typer.echo(
        f"{result.rows} rows with {result.plants} plants in {result.plots} plots: {result.seconds:.2f} s, "
        f"{result.rows / result.seconds:.0f} rows/s"
    )
    _write_csv(csv, pd.DataFrame([dataclasses.asdict(result)]), force)


def accuracy(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="Folder with images/, truth/ and scenes/ (`standcam scene`)."),
    ] = None,
    by: Annotated[
        str,
        typer.Option("--by", help="Score groups by a value of the scenes: soil.kind, light.kind, image, ..."),
    ] = "",
    tolerance_cm: Annotated[
        float | None,
        typer.Option("--tolerance-cm", help="Farthest a find may lie from its stem. [default: 4]"),
    ] = None,
    grid: Annotated[
        bool, typer.Option("--grid", help="Instead of DIR: scenes made here, one factor at a time moved; minutes.")
    ] = False,
    scenes: Annotated[
        int | None, typer.Option("--scenes", min=1, help="With --grid: scenes for each level. [default: 2]")
    ] = None,
    only: Annotated[
        list[str] | None, typer.Option("--only", help="With --grid: this factor only; repeat for more.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="With --grid: folder for tables and picture.")] = None,
    survey: options.Survey = None,
    locator: options.LocatorOption = None,
    turns: options.TurnsOption = None,
    csv: CsvOut = None,
    force: options.Force = False,
) -> None:
    """Count photos whose every stem is known, and score what was found.

    Either the photos of a folder of scenes, or with --grid scenes made on the spot: light, soil, straw, stage,
    tilt, weeds, spacing, doubles, blur and JPEG quality are moved away from a middling scene one at a time.
    """
    import sys

    from standcam import benchmark
    from standcam.errors import BadSettings
    from standcam.report import screen

    if grid:
        unfit = {"DIR": folder, "--by": by, "--tolerance-cm": tolerance_cm, "--csv": csv}
        given = [name for name, value in unfit.items() if value not in (None, "")]
        if given:
            raise BadSettings(f"--grid does not go with {', '.join(given)}.", "Leave one of them out.")
        settings = options.gather_settings(survey, locator=locator, turns=turns)
        _accuracy_grid(2 if scenes is None else scenes, only or [], out, settings, force)
        return
    idle = [name for name, value in {"--scenes": scenes, "--only": only, "--out": out}.items() if value]
    if idle:
        raise BadSettings(f"{', '.join(idle)} can only be used with --grid.", "Add --grid, or leave it out.")
    if folder is None:
        raise BadSettings("No folder of scenes is named.", "Name one, or add --grid.")
    options.require_positive("--tolerance-cm", tolerance_cm)
    _check_csv(csv, force)
    settings = options.gather_settings(survey, locator=locator, turns=turns)
    with screen.console(sys.stderr).status("Counting", spinner="line") as status:
        scores = benchmark.accuracy(folder, by, tolerance_cm, settings, lambda name: status.update(f"Counted {name}"))
    for record in scores.to_dict("records"):
        _show(record)
    _write_csv(csv, scores, force)


def _accuracy_grid(scenes: int, only: list[str], out: Path | None, settings: Settings, force: bool) -> None:
    import sys
    from datetime import UTC, datetime

    from standcam import grid_bench
    from standcam.report import screen
    from standcam.report.results import check_out

    started = datetime.now(UTC)
    if out is not None:
        check_out(out, force)
    factors = grid_bench.chosen(only)
    with screen.console(sys.stderr).status("Making scenes", spinner="line") as status:
        grid = grid_bench.run(
            factors, scenes, settings, lambda name, done, total: status.update(f"{done} of {total}: {name}")
        )
    for line in grid_bench.report_lines(grid):
        typer.echo(line)
    if out is not None:
        from standcam.report.csv_tables import csv_text
        from standcam.report.folder import write_folder
        from standcam.report.run_file import run_record

        names = [factor.name for factor in factors]
        record = run_record("bench accuracy", settings, [], started, seed=grid_bench.SEED, scenes=scenes, factors=names)
        files: dict[str, bytes | str] = {
            "grid.csv": csv_text(grid_bench.GRID, grid.table),
            "calibration.csv": csv_text(grid_bench.CALIBRATION, grid.calibration),
            "grid.png": grid_bench.grid_chart(grid),
        }
        write_folder(out, files, record, force)
        typer.echo(f"\nTables and picture are in {out}")


def _show(score: dict[str, Any]) -> None:
    from standcam.report.wording import percent

    typer.echo(f"{score['group']}: {score['photos']} photos, {score['asked']} plants asked for")
    typer.echo(
        f"  recall {score['recall']:.3f}, precision {score['precision']:.3f}, F1 {score['f1']:.3f}; "
        f"{percent(100 * score['covered'])} of the main row's plants lie in measured stretches"
    )
    typer.echo(
        f"  stem error along the row {score['stem_error_mm']:.1f} mm (mean absolute; bias "
        f"{score['stem_bias_mm']:+.1f} mm); count {score['count_error_pct']:+.1f} %"
    )
    typer.echo(
        f"  doubles found {percent(100 * score['doubles_found'])} of {score['doubles']}, "
        f"late plants {percent(100 * score['late_found'])} of {score['late']}"
    )
    if score["photos"] > 1:
        typer.echo(
            f"  count in one photo: {score['count_bias']:+.2f} plants on average, "
            f"limits of agreement {score['count_low']:+.1f} to {score['count_high']:+.1f}"
        )


def _check_csv(csv: Path | None, force: bool) -> None:
    """Say before the work, not after it, that the numbers would have no place."""
    if csv is not None and csv.exists() and not force:
        from standcam.errors import ResultsExist

        raise ResultsExist(f"{csv} is there already.", "Name another file with --csv, or add --force.")


def _write_csv(csv: Path | None, table: Any, force: bool) -> None:
    if csv is not None:
        from standcam.cli.files import write_files

        write_files({csv: table.round(4).to_csv(index=False, lineterminator="\n")}, force)
