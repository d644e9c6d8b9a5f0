"""``standcam report``: the report page of results made anew, with the design of the field where it is known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="report", no_args_is_help=True)(report)


def report(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Folder that count, tape or strip wrote.")],
    plot_map: options.PlotMap = None,
    visits: Annotated[
        Path | None,
        typer.Option(
            "--visits",
            help="Folder that standcam visits wrote: when plants came up. [default: RESULTS, then RESULTS/visits]",
        ),
    ] = None,
    units: options.UnitsOption = None,
    kinds: options.Tables = None,
) -> None:
    """One page to read on a phone and to print: report.html in the results folder.

    The answer, row units ranked, plots, emergence over visits, spacings with the fitted planter, every row drawn to
    scale, joined photos, marked photos, problems, method, sources, cautions. An earlier page is replaced; tables and
    photos are not touched.
    """
    from standcam.report.extras import further_files, parse_kinds

    wanted = parse_kinds(kinds)

    from standcam.report.folder import read_run
    from standcam.report.results import add_files
    from standcam.report.wording import printable

    run = read_run(results, plot_map, None if units is None else units.value, visits)
    names, faults, replaced = add_files(results, lambda folder: further_files(run, True, wanted, folder))
    for note in (*run.notes, *faults):
        typer.echo(printable(note))
    if not names:
        raise typer.Exit(2)
    for name in names:
        typer.echo(printable(f"{results / name}{' replaces the earlier one' if name in replaced else ''}"))
    if faults:
        raise typer.Exit(1)
