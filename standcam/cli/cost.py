"""``standcam cost``: what uneven spacing may cost, by all published studies, and whether a repair pays."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="cost", no_args_is_help=True)(cost)


def cost(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Results folder that count, tape or strip wrote.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for tables and picture; without it nothing is written.")
    ] = None,
    plot_map: options.PlotMap = None,
    raw: options.Raw = False,
    price_t: Annotated[float | None, typer.Option("--price-t", help="Grain price for a tonne.")] = None,
    price_bu: Annotated[float | None, typer.Option("--price-bu", help="Grain price for a bushel (56 lb).")] = None,
    yield_t_ha: Annotated[float | None, typer.Option("--yield-t-ha", help="Yield you expect, t per ha.")] = None,
    yield_bu_ac: Annotated[float | None, typer.Option("--yield-bu-acre", help="Yield you expect, bu per acre.")] = None,
    area_ha: Annotated[float | None, typer.Option("--area-ha", help="Planted in a season, ha.")] = None,
    area_ac: Annotated[float | None, typer.Option("--area-acre", help="Planted in a season, acres.")] = None,
    repair_cost_row: Annotated[
        float | None, typer.Option("--repair-cost-row", help="Repair of one row unit, in the money of the price.")
    ] = None,
    rows: Annotated[int | None, typer.Option("--rows", help="Row units that are repaired.")] = None,
    sd_after_cm: Annotated[
        float | None, typer.Option("--sd-after-cm", help="Spacing SD you expect after the repair, cm.")
    ] = None,
    sd_after_in: Annotated[
        float | None, typer.Option("--sd-after-in", help="Spacing SD you expect after the repair, inches.")
    ] = None,
    units: options.UnitsOption = None,
    force: options.Force = False,
) -> None:
    """Yield at risk from uneven spacing of maize, and payback of a repair.

    Works out the loss by every published slope, those that found none included, and gives the range: never one
    number. Price and cost are in whatever money you type.
    """
    from datetime import UTC, datetime

    from standcam.errors import BadSettings
    from standcam.report.folder import read_results, with_design
    from standcam.report.results import check_out
    from standcam.stand.cost import Asked, assess_cost
    from standcam.units import ACRES_PER_HA, CM_PER_INCH, KG_PER_BUSHEL, kg_per_ha

    started = datetime.now(UTC)
    options.require_positive("--repair-cost-row", repair_cost_row)
    options.require_positive("--rows", rows)
    price = _one_of("--price-t", price_t, "--price-bu", price_bu, 1000 / KG_PER_BUSHEL["maize"])
    expected = _one_of("--yield-t-ha", yield_t_ha, "--yield-bu-acre", yield_bu_ac, kg_per_ha(1.0) / 1000)
    area = _one_of("--area-ha", area_ha, "--area-acre", area_ac, 1 / ACRES_PER_HA)
    after = _one_of("--sd-after-cm", sd_after_cm, "--sd-after-in", sd_after_in, CM_PER_INCH)
    if out is not None:
        if out.resolve() == results.resolve():
            raise BadSettings(f"--out {out} is the results folder itself.", "Name another folder.")
        check_out(out, force)
    read = read_results(results, edited=not raw)
    settings = read.settings.replace("output", units=None if units is None else units.value)
    asked = Asked(price, expected * 1000, area, after, repair_cost_row, rows or settings.planter.row_units)
    described, notes = with_design(read.rows, read.plants, plot_map)
    notes = [*read.notes, *notes]
    outcome = assess_cost(described, read.plants, read.gaps, settings, asked, notes)

    from standcam.report import cost_report
    from standcam.report.screen import console

    if out is not None:
        from standcam.report.csv_tables import csv_text
        from standcam.report.folder import write_folder
        from standcam.report.run_file import run_record
        from standcam.stand.uniformity import LATE_ROWS

        record = run_record(
            "cost",
            settings,
            [{"path": str(results), "settings_digest": read.run.get("settings_digest")}],
            started,
            notes,
            asked=vars(asked) | {"plot_map": None if plot_map is None else str(plot_map)},
        )
        files: dict[str, bytes | str] = {
            "cost.csv": csv_text(cost_report.COST, cost_report.cost_table(outcome)),
            "late_rows.csv": csv_text(LATE_ROWS, outcome.uniformity.table),
            "cost.png": cost_report.cost_chart(outcome),
        }
        write_folder(out, files, record, force)
    cost_report.show(outcome, console())
    if out is not None:
        typer.echo(f"\nTables and picture are in {out}")


def _one_of(name: str, value: float | None, other_name: str, other: float | None, factor: float) -> float:
    """The value of one of two options in the unit of the first; NaN where neither is given.

    Raises
    ------
    BadSettings
        Both are given, or one that is no positive number.
    """
    from standcam.errors import BadSettings

    options.require_positive(name, value)
    options.require_positive(other_name, other)
    if value is not None and other is not None:
        raise BadSettings(f"{name} and {other_name} are both given.", "Give one of them.")
    return value if value is not None else other * factor if other is not None else math.nan
