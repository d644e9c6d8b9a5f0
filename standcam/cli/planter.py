"""``standcam planter``: what the planter did, which row unit is off, and what to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="planter", no_args_is_help=True)(planter)


def planter(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Folder that count, tape or strip wrote.")],
    plot_map: options.PlotMap = None,
    raw: options.Raw = False,
    out: options.Out = Path("planter"),
    survey: options.Survey = None,
    units: options.UnitsOption = None,
    nominal_cm: options.Nominal = None,
    germination_pct: Annotated[
        float | None, typer.Option("--germination-pct", help="Germination of the seed lot, from its label or a test.")
    ] = None,
    dug: Annotated[int | None, typer.Option("--dug", min=1, help="Gaps that were dug.")] = None,
    seed_found: Annotated[
        int | None, typer.Option("--seed-found", min=0, help="Gaps of those dug in which seed lay.")
    ] = None,
    visits: Annotated[
        Path | None,
        typer.Option("--visits", help="Folder of standcam visits, these results being its last day: who came late."),
    ] = None,
    cells: Annotated[
        int | None,
        typer.Option("--cells", min=2, help="Cells of the seed disc, or fingers. Left out: searched from 10 to 60."),
    ] = None,
    speed_kmh: Annotated[float | None, typer.Option("--speed-kmh", help="Ground speed at planting.")] = None,
    speed_mph: Annotated[float | None, typer.Option("--speed-mph", help="The same in miles per hour.")] = None,
    force: options.Force = False,
) -> None:
    """What the planter did: skips, doubles, placement, row units, recurring faults, and a checklist.

    Row units come from a plot map (column row_unit) or from a column row_unit of the tape file. With germination or
    a dig count, missing plants are split into skips of the meter and seed that did not come up.
    """
    from datetime import UTC, datetime

    from standcam.errors import BadSettings
    from standcam.planter.arithmetic import kmh
    from standcam.report.csv_tables import csv_text
    from standcam.report.folder import read_results, with_design, write_folder
    from standcam.report.results import check_out
    from standcam.report.run_file import run_record
    from standcam.settings_file import read_settings

    started = datetime.now(UTC)
    options.require_positive("--nominal-cm", nominal_cm)
    options.require_positive("--speed-kmh", speed_kmh)
    options.require_positive("--speed-mph", speed_mph)
    if speed_mph is not None:
        if speed_kmh is not None:
            raise BadSettings("--speed-kmh and --speed-mph are both given.", "Give one of them.")
        speed_kmh = kmh(speed_mph)
    if (dug is None) != (seed_found is None):
        raise BadSettings("--dug and --seed-found belong together.", "Give both, or none.")
    if out.resolve() == results.resolve():
        raise BadSettings(f"--out {out} is the results folder itself.", "Name another folder.")
    check_out(out, force)
    read = read_results(results, edited=not raw)
    settings = read.settings if survey is None else read_settings(survey)
    settings = (
        settings.replace("output", units=None if units is None else units.value)
        .replace("spacing", nominal_spacing_cm=nominal_cm, germination_pct=germination_pct)
        .replace("planter", cells_per_disc=cells, speed_kmh=speed_kmh)
    )
    rows, notes = with_design(read.rows, read.plants, plot_map)
    notes = [*read.notes, *notes]

    from standcam.planter.diagnosis import diagnose
    from standcam.planter.units import UNITS
    from standcam.report import planter_report
    from standcam.report.screen import console
    from standcam.stand.uniformity import emergence_uniformity

    plants = read.plants
    if visits is not None:
        from standcam.errors import BadResults
        from standcam.report.csv_tables import read_table
        from standcam.visits.emergence import with_late
        from standcam.visits.register import VISITS

        plants, told = with_late(plants, read_table(visits, VISITS))
        if not told:
            raise BadResults(
                f"No plant of {results} is in {visits}/visits.csv.",
                "Name the results of the last day that standcam visits read.",
            )
        notes.append(f"Which plants came late was told by {visits} for {told} plants.")
    uniformity = emergence_uniformity(plants, read.gaps, statistics=settings.statistics, crop=settings.spacing.crop)
    late = uniformity.late_share_pct
    # size in photos is too rough a sign to send anybody to the openers
    scouted = late.known and all("size" not in name for name, _ in uniformity.basis)
    diagnosis = diagnose(
        read.gaps,
        rows,
        settings,
        plants=read.plants,
        dug=dug,
        seed_found=seed_found,
        late_share=late.scaled(0.01) if scouted else None,
    )
    us = settings.output.units == "us"
    files: dict[str, bytes | str] = {
        "checklist.md": planter_report.checklist_text(diagnosis, us, uniformity.sentences, notes),
        "spacing.png": planter_report.spacing_chart(diagnosis, read.gaps, us),
    }
    if diagnosis.units is not None:
        files["units.csv"] = csv_text(UNITS, diagnosis.units.table)
        files["units.png"] = planter_report.units_chart(diagnosis, us)
    record = run_record(
        "planter",
        settings,
        [{"path": str(results), "settings_digest": read.run.get("settings_digest")}],
        started,
        [*diagnosis.notes, *notes],
        asked={
            "plot_map": None if plot_map is None else str(plot_map),
            "dug": dug,
            "seed_found": seed_found,
            "visits": None if visits is None else str(visits),
        },
        fit=planter_report.fit_record(diagnosis),
    )
    write_folder(out, files, record, force)
    planter_report.show(diagnosis, us, console(), uniformity.sentences, notes, str(out))
