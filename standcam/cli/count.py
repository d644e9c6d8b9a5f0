"""``standcam count``: photos to tables and marked photos."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from standcam.cli import options

if TYPE_CHECKING:
    from standcam.batch.inputs import Problem


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="count", no_args_is_help=True)(count)


def count(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO_OR_FOLDER", help="Photos (JPEG, PNG, TIFF, HEIC) or folders."),
    ],
    out: options.Out = Path("results"),
    survey: options.Survey = None,
    units: options.UnitsOption = None,
    row_width_cm: options.RowWidth = None,
    nominal_cm: options.Nominal = None,
    seeding_rate_ha: options.SeedingRate = None,
    min_trust: options.MinTrust = None,
    scale: Annotated[
        options.Scale | None,
        typer.Option("--scale", help="Where the ground scale comes from. [default: auto]"),
    ] = None,
    board: Annotated[
        Path | None,
        typer.Option("--board", help="Geometry of your ground board (TOML), in place of the built-in ones."),
    ] = None,
    lens: Annotated[Path | None, typer.Option("--lens", help="Lens profile (TOML).")] = None,
    stick_cm: Annotated[
        float | None, typer.Option("--stick-cm", help="Length of a light stick laid along the row.")
    ] = None,
    points: Annotated[
        str | None,
        typer.Option("--points", metavar="x,y,x,y,cm", help="Two points of one photo (pixels), and their distance."),
    ] = None,
    camera_height_cm: Annotated[
        float | None, typer.Option("--camera-height-cm", help="Height of the camera above the soil.")
    ] = None,
    locator: options.LocatorOption = None,
    turns: options.TurnsOption = None,
    labels: Annotated[
        Path | None,
        typer.Option(
            "--labels",
            help="Labels (CSV: photo, x_px, y_px, label) of some plants: crop, weed or nothing. "
            "[default: labels.csv in the one folder named]",
        ),
    ] = None,
    visit: Annotated[
        str | None, typer.Option("--visit", help="Count only photos of this visit of a survey, by plots.csv.")
    ] = None,
    no_marked: Annotated[bool, typer.Option("--no-marked", help="Draw no marked photos.")] = False,
    report: options.Report = None,
    tables: options.Tables = None,
    workers: options.Workers = None,
    scheduler: options.Scheduler = None,
    force: options.Force = False,
) -> None:
    """Count plants and measure their spacing in emergence photos.

    Writes plants.csv, gaps.csv, rows.csv, plots.csv, problems.csv, run.json and marked photos; of several photos also
    report.html and results.xlsx. Called again, it counts only photos that are new or changed, or that a run which was
    broken off had not come to.
    """
    from dataclasses import replace
    from datetime import UTC, datetime

    from standcam.batch.inputs import find_inputs
    from standcam.batch.mosaics import leave_out_mosaics
    from standcam.batch.pool import check_workers, warm_up, worth
    from standcam.quick_start import uncollected

    started = datetime.now(UTC)
    notes: list[str] = []
    if survey is None and len(photos) == 1 and (photos[0] / options.SURVEY_FILE).is_file():
        survey = photos[0] / options.SURVEY_FILE
        notes.append(f"Settings were taken from {survey}.")
    settings = options.gather_settings(
        survey, units, row_width_cm, nominal_cm, seeding_rate_ha, locator, min_trust, turns
    )
    options.require_positive("--stick-cm", stick_cm)
    options.require_positive("--camera-height-cm", camera_height_cm)
    settings = settings.replace(
        "calibration",
        method=None if scale is None else scale.value,
        board=None if board is None else str(board),
        lens=None if lens is None else str(lens),
        stick_length_cm=stick_cm,
        points=options.parse_points(points),
        camera_height_cm=camera_height_cm,
    )
    if no_marked:
        settings = settings.replace("output", marked=False)
    check_workers(workers)
    inputs, problems = find_inputs(photos, out)
    several = scheduler is None and worth(len(inputs), workers) > 1
    if several:
        warm_up()  # workers load their libraries while this process loads its own
    with uncollected():
        if several and report is not False:  # is needed in the end, when workers would wait for it
            import scipy.special  # noqa: F401

        from standcam import trust
        from standcam.batch.input_list import Inputs
        from standcam.batch.run import count_photos
        from standcam.batch.store import WorkStore
        from standcam.plants.labels import LABELLED, LABELS_FILE, read_labels
        from standcam.report import screen
        from standcam.report.csv_tables import csv_text
        from standcam.report.overall_words import AllRows
        from standcam.report.results import ResultsWriter, check_out, holds_results
        from standcam.report.run_file import run_record
        from standcam.survey import use

    check_out(out, force)
    kinds = options.table_kinds(tables)
    said = None
    if labels is None and len(photos) == 1 and (photos[0] / LABELS_FILE).is_file():
        labels = photos[0] / LABELS_FILE
        notes.append(f"Labels were taken from {labels}.")
    if labels is not None:
        said = read_labels(labels)

    inputs, told_mosaics = leave_out_mosaics(inputs, photos)
    notes += told_mosaics
    if settings.calibration.points is not None and len(inputs) > 1:
        from standcam.errors import BadSettings

        raise BadSettings(f"Two given points hold for one photo, and there are {len(inputs)}.", "Give one photo.")
    if not inputs:
        _nothing_done(problems, " ".join(told_mosaics))

    tied = use.survey_of(photos, inputs, settings, visit)
    if tied is not None:
        inputs = list(tied.inputs)
        notes += use.notes(tied)

    processes = 1 if scheduler is not None else worth(len(inputs), workers)
    with WorkStore(out) as store, ResultsWriter(out, force, store.folder) as writer:
        with store.clear_errors():
            to_count = Inputs(inputs, store.folder)
        del inputs
        if tied is not None:
            tied = replace(tied, inputs=to_count)
        with screen.progress(len(to_count) > 1) as progress:
            batch = count_photos(
                to_count,
                settings,
                problems,
                writer,
                said,
                store=store,
                workers=processes,
                scheduler=scheduler,
                progress=progress,
            )
        if batch.reused:
            told = f"{batch.reused} of {len(to_count)} photos had been counted before"
            notes.append(f"{told} and were not counted again.")
        if tied is not None:
            with store.clear_errors():
                batch = replace(batch, lines=use.described(tied, batch.lines, store.folder))
        nothing = not batch.measurements
        if nothing and holds_results(out):
            _nothing_done(batch.problem_list, f"Earlier results in {out} were left as they are.")
        by_labels = batch.labelled.notes if batch.labelled else ()
        notes += [*by_labels, *batch.notes]
        more = {} if batch.labelled is None else {"labels": {"file": str(labels)} | batch.labelled.record}
        record = run_record("count", settings, batch.inputs, started, notes, **more)
        files: dict[str, bytes | str | Iterable[str]] = {}
        if batch.labelled is not None:
            files["labelled.csv"] = csv_text(LABELLED, batch.labelled.table)
        if not nothing:
            # the screen's text too is made before the page's libraries are loaded, and shown when results are in place
            rows = batch.rows
            all_rows = AllRows.of(trust.rows_kept(rows), batch.lines["gaps"], settings, "photo")
            methods = [record["scale_method"] for record in batch.inputs]
            to = screen.console()
            with to.capture() as shown_at_last:
                screen.show(
                    rows,
                    batch.lines["gaps"],
                    batch.problems,
                    settings,
                    out,
                    scale_methods=methods,
                    to=to,
                    all_rows=all_rows,
                )
            del rows, methods
            wanted = len(to_count) > 1 if report is None else report
            chains = None if batch.chained is None else batch.chained.chains
            joined: dict[str, Any] = {} if chains is None else {"chains": chains.table, "seams": chains.seams}
            joined["all_rows"] = all_rows
            faults = options.results_pages(batch.lines, settings, record, out, wanted, kinds, writer, **joined)
            record["notes"] = notes = [*notes, *faults]
        if batch.chained is not None:
            files |= batch.chained.files()
        if tied is not None:
            files |= use.files(tied)
        writer.finish(**batch.lines, run=record, more=files)
        store.keep(batch.keys)

    if nothing:
        _nothing_done(batch.problem_list, f"problems.csv is in {out}.")
    screen.tell(to, notes)
    screen.print_captured(to, shown_at_last.get())
    if len(batch.problems):
        raise typer.Exit(1)


def _nothing_done(problems: Sequence[Problem], last: str = "") -> NoReturn:
    from standcam.report.wording import MAX_PROBLEMS, printable

    for problem in problems[:MAX_PROBLEMS]:
        typer.echo(f"standcam: {printable(problem.reason)} {printable(problem.remedy)}".rstrip(), err=True)
    if len(problems) > MAX_PROBLEMS:
        typer.echo(f"standcam: and {len(problems) - MAX_PROBLEMS} more inputs.", err=True)
    typer.echo(f"standcam: No photo could be used. {last}".rstrip(), err=True)
    raise typer.Exit(2)
