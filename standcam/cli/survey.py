"""``standcam survey``: a folder of photos made ready, checked, and labels for its plots."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standcam.cli import options

if TYPE_CHECKING:
    from standcam.batch.inputs import Input, Problem
    from standcam.settings import Settings


class LabelKind(StrEnum):
    """Kinds of plot labels."""

    aruco = "aruco"
    qr = "qr"


class Sheet(StrEnum):
    """Sheets of paper for labels."""

    a4 = "a4"
    letter = "letter"


Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of the survey: photos in it and below.")]


def register(app: typer.Typer) -> None:
    """Add the group of commands to the program."""
    group = typer.Typer(
        help="Make a folder of photos a survey: settings, and which plot each photo belongs to.", no_args_is_help=True
    )
    group.command(name="new", no_args_is_help=True)(new)
    group.command(name="check", no_args_is_help=True)(check)
    group.command(name="labels", no_args_is_help=True)(labels)
    app.add_typer(group, name="survey")


def new(
    folder: Folder,
    crop: Annotated[str | None, typer.Option("--crop", help="Crop, as in survey.toml.")] = None,
    row_width_cm: options.RowWidth = None,
    nominal_cm: options.Nominal = None,
    seeding_rate_ha: options.SeedingRate = None,
    file_name: Annotated[
        str | None,
        typer.Option("--file-name", metavar="PATTERN", help="How file names tell the plot: {plot}_{plot_row}_*.jpg"),
    ] = None,
    units: options.UnitsOption = None,
    all_settings: Annotated[
        bool, typer.Option("--all-settings", help="Write settings that hardly anybody changes, too.")
    ] = False,
    add_photos: Annotated[
        bool, typer.Option("--add-photos", help="Add lines for photos that the plots.csv there does not name.")
    ] = False,
) -> None:
    """Write a commented survey.toml, and a plots.csv with a line for each photo: time and place by the camera.

    Files that are there already are left as they are; --add-photos adds lines for new photos behind those of plots.csv.
    """
    from standcam.errors import BadSettings
    from standcam.report.wording import plural
    from standcam.survey.start import start_survey

    options.require_positive_spacing(row_width_cm, nominal_cm, seeding_rate_ha)
    if not folder.is_dir():
        raise BadSettings(f"{folder} is no folder.", "Name the folder that the photos are in.")
    started = start_survey(
        folder,
        {
            ("spacing", "crop"): crop,
            ("spacing", "row_width_cm"): row_width_cm,
            ("spacing", "nominal_spacing_cm"): nominal_cm,
            ("spacing", "seeding_rate_per_ha"): seeding_rate_ha,
            ("ties", "file_name"): file_name,
            ("output", "units"): None if units is None else units.value,
        },
        all_settings,
        add_photos,
    )
    timed, placed = started.timed, started.placed
    typer.echo(
        f"{plural(started.photos, 'photo')} found: {timed} with a time, {placed} with a position."
        if started.photos
        else f"No photo was found in {folder}."
    )
    for text in started.said:
        typer.echo(text)
    typer.echo("Next: write down what holds for all photos in survey.toml, and fill in plots.csv.")
    typer.echo(f"Then: standcam survey check {folder}")


def check(
    folder: Folder,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write all mismatches to this file (CSV), and not only the first.")
    ] = None,
    ties: Annotated[
        Path | None, typer.Option("--ties", help="Write the plot of each photo to this file (CSV).")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there already.")] = False,
) -> None:
    """Which plot each photo belongs to, and all that does not fit; nothing is counted.

    Leaves with 1 where something does not fit.
    """
    import sys

    from standcam.cli.files import write_files
    from standcam.errors import BadSettings
    from standcam.report import screen
    from standcam.report.csv_tables import csv_text
    from standcam.report.wording import printable
    from standcam.survey import use
    from standcam.survey.tie import tie_photos
    from standcam.survey.tied import KINDS, MISMATCHES, TIES

    settings, inputs, problems = _survey(folder)
    if not inputs:
        raise BadSettings(f"{folder} holds no photo.", "Name the folder that the photos are in.")
    bar = screen.console(sys.stderr)
    if bar.is_terminal and len(inputs) > 1:
        from rich.progress import Progress

        with Progress(console=bar, transient=True) as progress:
            task = progress.add_task("Looking at photos", total=len(inputs))
            tied = tie_photos(folder, inputs, settings, lambda _: progress.advance(task))
    else:
        tied = tie_photos(folder, inputs, settings)
    write_files(
        {
            path: csv_text(table, frame)
            for path, table, frame in ((out, MISMATCHES, tied.mismatches), (ties, TIES, tied.ties))
            if path is not None
        },
        force,
    )
    typer.echo(use.headline(tied))
    for note in use.visit_notes(tied):
        typer.echo(note)
    for kind, lines in tied.mismatches.groupby("kind", sort=False):
        typer.echo(f"\n{len(lines)} x {str(kind).replace('_', ' ')}: {KINDS[str(kind)]}.")
        shown = lines.drop_duplicates(["reason"])
        for line in shown.head(FIRST).itertuples():
            typer.echo(f"  {printable(str(line.reason))}")
        if len(shown) > FIRST:
            typer.echo(f"  and {len(shown) - FIRST} more; --out FILE.csv lists all.")
        typer.echo(f"  -> {printable(str(lines['remedy'].iloc[0]))}")
    for problem in problems:
        typer.echo(f"\n{printable(problem.reason)} {printable(problem.remedy)}")
    if len(tied.mismatches) or problems:
        raise typer.Exit(1)
    typer.echo(f"All fits. Count with: standcam count {folder}")


FIRST = 20
"""Mismatches of a kind that the screen shows."""


def labels(
    folder: Annotated[
        Path | None, typer.Argument(metavar="FOLDER", help="Survey whose plots.csv names the plots.")
    ] = None,
    numbers: Annotated[
        str | None, typer.Option("--numbers", metavar="FROM-TO", help="Markers with these numbers, such as 101-148.")
    ] = None,
    kind: Annotated[LabelKind, typer.Option("--kind", help="aruco: markers with a number; qr: codes with a text.")] = (
        LabelKind.aruco
    ),
    paper: Annotated[Sheet, typer.Option("--paper", help="Sheet to print on.", case_sensitive=False)] = Sheet.a4,
    out: Annotated[Path, typer.Option("--out", help="PDF to write.")] = Path("plot-labels.pdf"),
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there already.")] = False,
) -> None:
    """Print plot labels, two on a sheet, that photos of a plot may show: the picture then tells its plot.

    They are no ground boards and give no scale. One that plots.csv does not list stands for the plot of
    its own name.
    """
    from standcam.cli.files import write_files
    from standcam.errors import BadSettings
    from standcam.ground.page import pdf
    from standcam.report.wording import plural
    from standcam.settings import Settings
    from standcam.survey.marks import label_pages
    from standcam.survey.start import numbered, plot_labels

    if (folder is None) == (numbers is None):
        raise BadSettings("Labels of what?", "Name either a survey folder or --numbers FROM-TO.")
    settings = Settings()
    if folder is not None:
        settings = _survey(folder, walk=False)[0]
        wanted = plot_labels(folder)
    else:
        wanted = numbered(numbers or "")
    pages = label_pages(wanted, kind.value, paper.value, settings.ties.label_dictionary)
    target = out if out.suffix.lower() == ".pdf" else out.with_suffix(".pdf")
    write_files({target: pdf(pages, "plot labels")}, force)
    typer.echo(f"{target}: {plural(len(wanted), 'label')} on {plural(len(pages), 'sheet')}.")
    typer.echo(
        "Cut apart, put on stakes, and photograph the row with the label whole in the picture, beside the board."
    )
    typer.echo(f'In survey.toml, under [ties]: plot_labels = "{kind.value}"  (not needed where plots.csv lists labels)')


def _survey(folder: Path, walk: bool = True) -> tuple[Settings, list[Input], list[Problem]]:
    from standcam.batch.inputs import find_inputs
    from standcam.batch.mosaics import leave_out_mosaics
    from standcam.errors import BadSettings
    from standcam.settings import Settings
    from standcam.settings_file import read_settings

    if not folder.is_dir():
        raise BadSettings(f"{folder} is no folder.", "Name the folder of the survey.")
    path = folder / options.SURVEY_FILE
    settings = read_settings(path) if path.is_file() else Settings()
    inputs, problems = find_inputs([folder]) if walk else ([], [])
    return settings, leave_out_mosaics(inputs, [])[0], problems
