"""``standcam tape``: hand readings of a tape to the same tables that photos give."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="tape", no_args_is_help=True)(tape)


def tape(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE.csv...", help="Running positions (position_cm) or gaps (gap_in), one a line."
        ),
    ],
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
    force: options.Force = False,
) -> None:
    """Spacing and population from hand tape readings.

    Readings may be in mm, cm, m, inches, feet, or feet and inches; the header names the unit. Columns plot
    and row tell several rows apart. Mistakes are named by line, and nothing is left out in silence.
    """
    from datetime import UTC, datetime

    from standcam.report.results import check_out, holds_results, run_record, write_results

    started = datetime.now(UTC)
    settings = options.gather_settings(survey, units, row_width_cm, nominal_cm, seeding_rate_ha)
    check_out(out, force)

    from standcam.batch.tapes import count_tapes
    from standcam.report import screen
    from standcam.report.wording import printable

    unit = None if units is None else {"si": "cm", "us": "in"}[units.value]
    batch = count_tapes(files, settings, unit)
    nothing = not batch.inputs
    if not (nothing and holds_results(out)):
        record = run_record("tape", settings, batch.inputs, started, batch.notes)
        write_results(out, **batch.tables, run=record, force=force)
    if nothing:
        for problem in batch.problems:
            typer.echo(
                f"standcam: {printable(problem.reason)} {printable(problem.remedy)}".rstrip(), err=True
            )
        typer.echo("standcam: No tape file could be used.", err=True)
        raise typer.Exit(2)
    screen.show(batch.rows, batch.gaps, batch.tables["problems"], settings, out, notes=batch.notes)
    if batch.problems:
        raise typer.Exit(1)
