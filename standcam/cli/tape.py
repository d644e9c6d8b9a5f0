"""``standcam tape``: hand readings of a tape to the same tables that photos give."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


class Paper(StrEnum):
    """Sheets that fit a clipboard."""

    a4 = "a4"
    letter = "letter"


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="tape", no_args_is_help=True)(tape)


def tape(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE.csv...",
            help="Running positions (position_cm), gaps (gap_in), or counts (plants, row_length_m).",
        ),
    ] = None,
    out: options.Out = Path("results"),
    survey: options.Survey = None,
    units: Annotated[
        options.Units | None,
        typer.Option(
            "--units",
            help="si or us on the screen; also the unit (cm or inches) of readings whose file names none.",
        ),
    ] = None,
    row_width_cm: options.RowWidth = None,
    nominal_cm: options.Nominal = None,
    seeding_rate_ha: options.SeedingRate = None,
    min_trust: options.MinTrust = None,
    report: options.Report = None,
    tables: options.Tables = None,
    force: options.Force = False,
    print_sheet: Annotated[
        Path | None,
        typer.Option("--print-sheet", help="Write a field sheet (PDF) and the CSV to type it into, and read nothing."),
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="Paper of the field sheet.", case_sensitive=False)] = Paper.a4,
    rows: Annotated[int, typer.Option("--rows", help="Rows that the field sheet has room for, four to a page.")] = 4,
) -> None:
    """Spacing and population from hand tape readings.

    Readings may be in mm, cm, m, inches, feet, or feet and inches; the header names the unit. Columns plot
    and row tell several rows apart, or each row has a column headed row 1, row 2. A row without plants is the
    word none and its row length. Mistakes are named by line, and nothing is left out in silence.
    """
    if print_sheet is not None:
        _print_sheet(print_sheet, files, paper, rows, units, survey, force)
        return
    if not files:
        raise typer.BadParameter("name at least one tape file, or --print-sheet SHEET.pdf")
    from datetime import UTC, datetime

    from standcam.report.results import ResultsWriter, check_out, holds_results
    from standcam.report.run_file import run_record

    started = datetime.now(UTC)
    settings = options.gather_settings(survey, units, row_width_cm, nominal_cm, seeding_rate_ha, min_trust=min_trust)
    check_out(out, force)
    kinds = options.table_kinds(tables)

    from standcam.batch.tapes import count_tapes
    from standcam.report import screen
    from standcam.report.wording import printable

    unit = None if units is None else {"si": "cm", "us": "in"}[units.value]
    batch = count_tapes(files, settings, unit)
    nothing, notes = not batch.inputs, list(batch.notes)
    if not (nothing and holds_results(out)):
        record = run_record("tape", settings, batch.inputs, started, notes)
        with ResultsWriter(out, force) as writer:
            wanted = not nothing and report is not False
            faults = options.results_pages(batch.tables, settings, record, out, wanted, kinds, writer)
            record["notes"] = notes = [*notes, *faults]
            writer.finish(**batch.tables, run=record)
    if nothing:
        for problem in batch.problems:
            typer.echo(f"standcam: {printable(problem.reason)} {printable(problem.remedy)}".rstrip(), err=True)
        typer.echo("standcam: No tape file could be used.", err=True)
        raise typer.Exit(2)
    screen.show(batch.rows, batch.gaps, batch.tables["problems"], settings, out, notes=notes)
    if batch.problems:
        raise typer.Exit(1)


def _print_sheet(
    out: Path, files: list[Path] | None, paper: Paper, rows: int, units: options.Units | None, survey: Path | None,
    force: bool,
) -> None:  # fmt: skip
    from standcam.cli.files import write_files
    from standcam.ground.page import pdf
    from standcam.report.field_sheet import sheet_csv, sheet_pages

    if files:
        raise typer.BadParameter("--print-sheet reads no tape files; leave them out")
    system = options.gather_settings(survey, units).output.units
    target = out if out.suffix.lower() == ".pdf" else out.with_suffix(".pdf")
    twin = target.with_suffix(".csv")
    pages = sheet_pages(paper.value, rows, system)
    write_files({target: pdf(pages, "Tape sheet"), twin: sheet_csv(system)}, force)
    number = "1 page" if len(pages) == 1 else f"{len(pages)} pages"
    typer.echo(f"{target}: {number} for {rows} rows, to print and fill in.")
    typer.echo(f"{twin}: type the readings below its headings, then:  standcam tape {twin} --row-width-cm ...")
    typer.echo("Where to look:  standcam plan")
    typer.echo("Park, shut down and block machines before you kneel by them; keep off roads and out of traffic.")
