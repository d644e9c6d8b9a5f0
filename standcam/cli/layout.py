"""``standcam layout``: a trial drawn by lot, as a plot map and a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="layout", no_args_is_help=True)(layout)


def layout(
    treatments: Annotated[
        list[str], typer.Argument(metavar="TREATMENT...", help="What to compare: 'disc A' 'disc B', or 6 8 10.")
    ],
    blocks: Annotated[int, typer.Option("--blocks", min=1, max=99, help="Times that every treatment is repeated.")] = 4,
    dose: Annotated[str, typer.Option("--dose", help="Treatments are numbers of this column, such as speed_kmh.")] = "",
    planter_rows: Annotated[int, typer.Option("--planter-rows", min=1, help="Rows the planter plants in a pass.")] = 8,
    strip_rows: Annotated[
        int | None,
        typer.Option("--strip-rows", min=1, help="Rows of a strip: a half or third of the planter set up in parts."),
    ] = None,
    side_rows: Annotated[
        int | None,
        typer.Option("--side-rows", min=0, help="Rows left out on either side of a strip. [default: 2, of few rows 1]"),
    ] = None,
    one_way: Annotated[bool, typer.Option("--one-way", help="All passes run in one direction.")] = False,
    spread: Annotated[
        bool, typer.Option("--spread", help="No treatment sits at the same place in all blocks.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Of the lot: the same seed gives the same layout.")] = 1,
    row_width_cm: options.RowWidth = None,
    out: options.Out = Path("layout"),
    units: options.UnitsOption = None,
    force: options.Force = False,
) -> None:
    """Draw up a side-by-side trial: strips in randomised complete blocks.

    Writes plot-map.csv, which standcam trial reads with --plot-map, and layout.png to print or to carry on a
    phone. Plots are numbered as the field is driven: 203 is the third strip of block 2.
    """
    from datetime import UTC, datetime

    from standcam.report.results import check_out

    started = datetime.now(UTC)
    check_out(out, force)
    settings = options.gather_settings(None, units, row_width_cm)

    from standcam.report import layout_report, screen
    from standcam.report.csv_tables import csv_text
    from standcam.report.folder import write_folder
    from standcam.report.run_file import run_record
    from standcam.report.wording import printable
    from standcam.stand.layout import PLOT_MAP, LayoutSettings, draw_layout

    drawn = draw_layout(
        treatments, blocks,
        LayoutSettings(planter_rows, strip_rows, row_width_cm, side_rows, one_way, spread, seed), dose,
    )  # fmt: skip
    files: dict[str, bytes | str] = {
        "plot-map.csv": csv_text(PLOT_MAP, drawn.plots),
        "layout.png": layout_report.picture(drawn, settings.output.units),
    }
    record = run_record(
        "layout", settings, [], started, drawn.notes, treatments=list(drawn.treatments), blocks=blocks, seed=seed
    )
    write_folder(out, files, record, force)
    to = screen.console()
    for _, block in drawn.plots.groupby("block"):
        strips = ", ".join(f"{r.plot} {printable(r.treatment)}" for r in block.itertuples())
        to.print(f"block {block['block'].iloc[0]}: {strips}", markup=False)
    to.print()
    for line in layout_report.lines(drawn, settings.output.units):
        to.print(line, markup=False)
    to.print(f"Results are in {printable(str(out))}", markup=False)
