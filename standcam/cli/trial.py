"""``standcam trial``: treatments in side-by-side plots compared."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="trial", no_args_is_help=True)(trial)


def trial(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Folder that count, tape or strip wrote.")],
    plot_map: options.PlotMap = None,
    raw: options.Raw = False,
    measure: Annotated[
        list[str] | None,
        typer.Option(
            "--measure",
            help="What to compare, the primary measure first: sd_gap_cm, misses_pct, multiples_pct, plants_per_ha, "
            "mean_gap_cm, cv_pct, quality_of_feed_pct, precision_pct, emergence_pct, yield_kg_ha, or a column of "
            "numbers of rows.csv or the plot map. May be repeated.",
        ),
    ] = None,
    control: Annotated[
        str, typer.Option("--control", help="Compare all others with this treatment only, and not all pairs.")
    ] = "",
    dose: Annotated[
        str, typer.Option("--dose", help="Column with a number, such as speed_kmh: shows the response to it.")
    ] = "",
    harvest: Annotated[
        Path | None,
        typer.Option("--harvest", help="Yields (CSV): plot and yield_kg_ha, yield_t_ha or yield_bu_ac."),
    ] = None,
    to_moisture: Annotated[
        float | None,
        typer.Option("--to-moisture", help="Bring yields to this moisture (%), by the column moisture_pct."),
    ] = None,
    difference: Annotated[
        float | None,
        typer.Option("--difference", help="Difference worth finding in the primary measure: how many plots it takes."),
    ] = None,
    treatment: Annotated[str, typer.Option("--treatment", help="Column that holds the treatment.")] = "treatment",
    plots_are: Annotated[
        str,
        typer.Option("--plots-are", help="Column that names the plots, if several photos or plots of RESULTS are one."),
    ] = "",
    out: options.Out = Path("trial"),
    units: options.UnitsOption = None,
    force: options.Force = False,
) -> None:
    """Compare planter settings, discs, speeds or seed lots that stood side by side.

    Plots are the replicates, rows and plants only samples of them. Prints what differs and by how much, what
    so many plots cannot show, and how many more would. Treatment and block come from the plot map.
    """
    from datetime import UTC, datetime

    from standcam.report.results import check_out

    started = datetime.now(UTC)
    check_out(out, force)
    for name, value in (("--difference", difference), ("--to-moisture", to_moisture)):
        options.require_positive(name, value)

    import hashlib

    from standcam.errors import BadSettings
    from standcam.report import screen, trial_chart, trial_report
    from standcam.report.csv_tables import csv_text
    from standcam.report.folder import read_results, with_design, write_folder
    from standcam.report.run_file import run_record
    from standcam.stand import trial as analysis
    from standcam.stand import trial_tables as tables
    from standcam.stand.harvest import join_harvest, read_harvest
    from standcam.stand.trial_plots import DEFAULT_MEASURES, MEASURES, trial_plots

    read = read_results(results, edited=not raw)
    settings = read.settings.replace("output", units=None if units is None else units.value)
    rows, notes = with_design(read.rows, read.plants, plot_map)
    notes = [*read.notes, *notes]
    measures = list(measure or DEFAULT_MEASURES)
    design = trial_plots(
        rows, read.gaps, treatment=treatment, plots_are=plots_are, dose=dose, spacing=settings.spacing,
        more=[m for m in measures if m not in MEASURES],
    )  # fmt: skip
    if read.run.get("command") == "count" and (rows["row"] > 1).any() and not _by_row(plot_map):
        notes.append(
            "Neighbour rows that photos show count to the photo's plot. Where they stand in the next strip, give the "
            "plot map a column row and list them."
        )
    inputs = [{"path": str(results), "run": read.run.get("settings_digest", "")}]
    if plot_map is not None:
        inputs.append({"path": str(plot_map), "sha256": hashlib.sha256(plot_map.read_bytes()).hexdigest()})
    if harvest is not None:
        from dataclasses import replace

        found = read_harvest(harvest, settings.spacing.crop, to_moisture)
        plots, more = join_harvest(design.plots, found)
        design = replace(design, plots=plots)
        notes += [*found.notes, *more]
        inputs.append({"path": str(harvest), "sha256": hashlib.sha256(harvest.read_bytes()).hexdigest()})
        if "yield_kg_ha" not in measures:
            measures.append("yield_kg_ha")
    elif "yield_kg_ha" in measures:
        raise BadSettings("The measure yield_kg_ha needs yields.", "Name a file of them with --harvest.")
    if measure is None:
        if design.plots["plants_per_ha"].isna().all():
            measures.remove("plants_per_ha")
        if design.plots[["doubles", "singles", "skips"]].to_numpy().sum() == 0:
            measures = [m for m in measures if m not in ("misses_pct", "multiples_pct")]
    outcome = analysis.analyse_trial(
        design, measures, analysis.TrialSettings(level=settings.statistics.level), control=control, wanted=difference
    )

    words = trial_report.Words(settings.output.units, settings.spacing.crop)
    files: dict[str, bytes | str] = {
        "trial.csv": csv_text(tables.TRIAL, design.plots.drop(columns=["kind", "measured_plot"])),
        "means.csv": csv_text(tables.MEANS, analysis.means_table(outcome)),
        "comparisons.csv": csv_text(tables.COMPARISONS, analysis.comparisons_table(outcome)),
    }
    if dose:
        files["trends.csv"] = csv_text(tables.TRENDS, analysis.trends_table(outcome))
    files["trial.png"] = trial_chart.chart(outcome, words)
    told = [*notes, *outcome.notes]
    record = run_record(
        "trial", settings, inputs, started, told,
        measures=[
            {"measure": o.measure.name, "refused": o.refused, "model": o.means.model if o.means else "",
             "method": o.method, "detectable": _finite(o.detectable), "notes": list(o.notes),
             "variances": o.means.components if o.means else {}}
            for o in outcome.outcomes
        ],
        control=control, dose=dose,
    )  # fmt: skip
    write_folder(out, files, record, force)
    trial_report.show(outcome, words, screen.console(), notes, out)


def _by_row(plot_map: Path | None) -> bool:
    from standcam.stand.plotmap import read_plot_map

    return plot_map is not None and "row" in read_plot_map(plot_map)


def _finite(value: float) -> float | None:
    import math

    return value if math.isfinite(value) else None
