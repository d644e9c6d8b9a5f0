"""``standcam plan``: how much to look at, and where."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standcam.cli import options

if TYPE_CHECKING:
    import pandas as pd

    from standcam.report.folder import Results
    from standcam.settings import Settings
    from standcam.stand.sampling import Need, Variation

COMMON_WIDTH_CM, COMMON_RATE_HA = 76.2, 75_000.0
"""Taken where nothing is given: maize in rows of 30 inches (common practice, no source)."""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="plan")(plan)


def plan(
    within_pct: Annotated[
        float | None, typer.Option("--within-pct", help="Wanted half-width of the population's interval, in %.")
    ] = None,
    cv_within: Annotated[
        float | None, typer.Option("--cv-within", help="Wanted half-width of the spacing CV's interval, in points.")
    ] = None,
    skips_within: Annotated[
        float | None, typer.Option("--skips-within", help="Wanted half-width of the skip share's interval, in points.")
    ] = None,
    first: Annotated[
        Path | None,
        typer.Option("--from", help="Results of a first sample, to plan by its variation and not by common practice."),
    ] = None,
    raw: options.Raw = False,
    row_width_cm: options.RowWidth = None,
    nominal_cm: options.Nominal = None,
    seeding_rate_ha: options.SeedingRate = None,
    photo_m: Annotated[
        float, typer.Option("--photo-m", help="Metres of row that a photo shows: about 1.8 from 1.4 m height.")
    ] = 1.8,
    row_m: Annotated[
        float | None,
        typer.Option("--row-m", help="Metres of row under the tape at each place. [default: 1/1000 acre]"),
    ] = None,
    rows_per_place: Annotated[int, typer.Option("--rows-per-place", min=1, help="Rows looked at in one place.")] = 1,
    row_units: Annotated[
        int | None, typer.Option("--row-units", min=1, help="Row units of the planter: says which to look at, where.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Of the random choice of places.")] = 20,
    survey: options.Survey = None,
    units: options.UnitsOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder to write plan.csv and places.csv to; else only printed.")
    ] = None,
    force: options.Force = False,
) -> None:
    """How many places, rows and metres of row to look at for a wanted interval, and where.

    Without a wish: population within 5 %, CV within 5 points, skips within 3 points. places.csv serves as a plot map.
    """
    from datetime import UTC, datetime

    from standcam.stand.sampling import Wanted, needs, places_to_look

    started = datetime.now(UTC)
    if out is not None:
        from standcam.report.results import check_out

        check_out(out, force)
    for name, value in (
        ("--within-pct", within_pct), ("--cv-within", cv_within), ("--skips-within", skips_within),
        ("--photo-m", photo_m), ("--row-m", row_m),
    ):  # fmt: skip
        options.require_positive(name, value)
    settings = options.gather_settings(survey, units, row_width_cm, nominal_cm, seeding_rate_ha)
    wanted = Wanted() if (within_pct, cv_within, skips_within) == (None,) * 3 else Wanted(
        within_pct, cv_within, skips_within
    )  # fmt: skip
    results = _read(first, raw)
    width, rate, assumed = _stand(settings, results)
    variation = _variation(results, width, rate)
    looks = _looks(width, photo_m, row_m, settings.output.units)
    found = {
        look: needs(variation, wanted, cm, rows_per_place, settings.statistics.level) for look, cm in looks.items()
    }
    photo = next(iter(found))
    most = max((n.places or 0) for n in found[photo])
    units_known = row_units or settings.planter.row_units
    places = places_to_look(_for_all_units(most, rows_per_place, units_known), rows_per_place, units_known, seed)
    left_out = () if results is None else results.notes
    _show(settings, variation, found, places, most, units_known, width, rate, assumed, left_out)
    if out is not None:
        _write(out, found, places, settings, first, started, force, left_out)


def _read(first: Path | None, raw: bool) -> Results | None:
    from standcam.report.folder import read_results

    return None if first is None else read_results(first, edited=not raw)


def _stand(settings: Settings, results: Results | None) -> tuple[float, float | None, list[str]]:
    """Row width [cm], plants per ha, and what had to be assumed."""
    from standcam import units

    spacing, assumed = settings.spacing, []
    before = results.settings.spacing if results is not None else spacing
    width = spacing.row_width_cm or before.row_width_cm
    if width is None:
        width = COMMON_WIDTH_CM
        assumed.append("rows 76.2 cm (30 in) apart; give --row-width-cm")
    nominal = spacing.nominal_spacing_cm or before.nominal_spacing_cm
    rate = spacing.seeding_rate_per_ha or before.seeding_rate_per_ha
    if rate is None and nominal is not None:
        rate = 1e8 / (nominal * width)
    if rate is None and results is None:
        rate = COMMON_RATE_HA
        assumed.append(f"{COMMON_RATE_HA:,.0f}/ha ({units.per_acre(COMMON_RATE_HA):,.0f}/acre); give --seeding-rate-ha")
    return width, rate, assumed


def _variation(results: Results | None, width: float, rate: float | None) -> Variation:
    from standcam.stand.sampling import common_variation, variation_of

    if results is not None:
        return variation_of(results.rows, results.gaps, results.plants)
    return common_variation(1e8 / ((rate or COMMON_RATE_HA) * width))


def _looks(width: float, photo_m: float, row_m: float | None, system: str) -> dict[str, float]:
    """Ways of looking at a row, and their lengths. [cm]"""
    from standcam.report.wording import row_length
    from standcam.stand.row_length import thousandth_acre_cm, thousandth_ha_cm

    looks = {f"photos of {row_length(100 * photo_m, system)}": 100 * photo_m}
    if row_m is not None:
        return looks | {f"tape over {row_length(100 * row_m, system)}": 100 * row_m}
    acre, ha = thousandth_acre_cm(width), thousandth_ha_cm(width)
    return looks | {
        f"tape, 1/1000 acre ({row_length(acre, system)})": acre,
        f"tape, 1/1000 ha ({row_length(ha, system)})": ha,
    }


def _for_all_units(places: int, rows_per_place: int, row_units: int | None) -> int:
    """At least as many places as it takes to see each row unit once."""
    return max(places, -(-(row_units or 0) // rows_per_place))


def _show(
    settings: Settings, variation: Variation, found: dict[str, list[Need]], places: pd.DataFrame, most: int,
    row_units: int | None, width: float, rate: float | None, assumed: list[str],
    left_out: Sequence[str],
) -> None:  # fmt: skip
    from rich.markup import escape

    from standcam.report import plan_report as report
    from standcam.report.screen import console

    system = settings.output.units
    to = console()

    def say(text: str) -> None:
        to.print(escape(text))

    looks = list(found)
    for look in looks[:2]:
        say(report.answer(found[look], look, system))
    say("")
    to.print(report.needs_table(found, system))
    say("")
    level = f"Intervals of {100 * settings.statistics.level:g} %."
    say(f"{level} To be sure: they come out so narrow in 95 of 100 cases, else in little more than half.")
    say(f"What other numbers of places give, {looks[0]}:")
    for line in report.budget_lines(found[looks[0]]):
        say(line)
    for line in report.basis_lines(variation, found[looks[0]]):
        say(line)
    if assumed:
        say(f"Taken for want of better: {'; '.join(assumed)}.")
    for line in left_out:
        say(line)
    say("")
    if len(places):
        total = places["plot"].nunique()
        say(f"Where to look ({looks[0]}), drawn blindly. % of a way of your own choice that covers the whole field:")
        for line in report.places_lines(places):
            say(line)
        if row_units is None:
            say("  With --row-units the row units are dealt out too.")
        elif total > most:
            say(f"  {total} places and not {most}, so that each of {row_units} row units is seen.")
        if row_units is not None:
            say("  Count row units from the left in the direction of that pass: it turns round with every pass.")
        say("")
    for line in report.row_lines(width, rate, system):
        say(line)
    say(report.habit_line())
    say(report.NOT_TOLD)
    for line in report.CAUTIONS:
        say(line)


def _write(
    out: Path, found: dict[str, list[Need]], places: pd.DataFrame, settings: Settings, first: Path | None,
    started: object, force: bool, left_out: Sequence[str],
) -> None:  # fmt: skip
    from standcam.report import plan_report as report
    from standcam.report.csv_tables import csv_text
    from standcam.report.folder import write_folder
    from standcam.report.run_file import run_record

    table = places if "row_unit" in places else places.assign(row_unit=None)
    table = table.astype({c.name: c.dtype for c in report.PLACES.columns})
    files = {
        "plan.csv": csv_text(report.PLAN, report.plan_table(found)),
        "places.csv": csv_text(report.PLACES, table),
    }
    inputs = [] if first is None else [{"path": str(first)}]
    record = run_record("plan", settings, inputs, started, left_out)  # type: ignore[arg-type]
    write_folder(out, files, record, force)
    typer.echo(f"The plan is in {out}; places.csv serves as a plot map.")
