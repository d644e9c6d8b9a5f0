"""``standcam agree``: photo and tape of the same rows laid over each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="agree", no_args_is_help=True)(agree)


def agree(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Results folder of the photos.")],
    tape_results: Annotated[
        Path, typer.Argument(metavar="TAPE_RESULTS", help="Results folder of the tape readings of the same rows.")
    ],
    out: options.Out = Path("agreement"),
    pairs: Annotated[
        Path | None,
        typer.Option(
            "--pairs",
            help="CSV that ties rows: some of photo, plot, row and of tape_photo, tape_plot, tape_row. "
            "Without it rows of the same plot and row number are one.",
        ),
    ] = None,
    same_zero: Annotated[
        bool,
        typer.Option("--same-zero", help="Both start at the same peg and run in the same direction."),
    ] = False,
    max_scale_pct: Annotated[
        float, typer.Option("--max-scale-pct", help="Scale errors of the photo up to this are looked for.")
    ] = 3.0,
    tolerance_cm: Annotated[
        float | None,
        typer.Option(
            "--tolerance-cm",
            help="Plants farther apart than this are no pair. [default: a quarter of the spacing, 1 to 4 cm]",
            show_default=False,
        ),
    ] = None,
    raw: options.Raw = False,
    nominal_cm: options.Nominal = None,
    survey: options.Survey = None,
    units: options.UnitsOption = None,
    force: options.Force = False,
) -> None:
    """How well photos agree with a hand tape on the same rows.

    The tape's zero may lie anywhere, and it may be read in the other direction. Plants outside the stretch that
    both cover are no mistakes. Writes agree.csv (rows), pairs.csv (plants), limits.csv, classes.csv, agree.png.
    """
    from datetime import UTC, datetime

    from standcam.report.results import check_out
    from standcam.report.run_file import run_record

    started = datetime.now(UTC)
    options.require_positive("--tolerance-cm", tolerance_cm)
    settings = options.gather_settings(survey, units, nominal_cm=nominal_cm)

    from standcam.report.folder import read_results, write_folder
    from standcam.validation.align import AlignSettings
    from standcam.validation.pairing import pair_rows, read_pairs

    laying = AlignSettings(max_scale_pct=max_scale_pct, tolerance_cm=tolerance_cm)
    photo, tape = read_results(results, edited=not raw), read_results(tape_results)
    check_out(out, force)
    if survey is None:  # the photos' run knew the units, and what else its survey said
        settings = photo.settings.replace("output", units=None if units is None else units.value)
        settings = settings.replace("spacing", nominal_spacing_cm=nominal_cm)
    named = None if pairs is None else read_pairs(pairs)
    tied = pair_rows(photo.rows, tape.rows, named)

    from standcam.report import agree_report as report
    from standcam.validation.compare import compare, row_lists

    given = nominal_cm if survey is None else settings.spacing.nominal_spacing_cm
    nominal, notes = report.tape_nominal(photo.rows, tape.rows, given)
    notes = [*photo.notes, *tape.notes, *notes]
    comparison = compare(
        row_lists(photo.plants, photo.gaps, photo.rows, "photo"),
        row_lists(tape.plants, tape.gaps, tape.rows, "tape"),
        tied,
        nominal,
        laying,
        settings.statistics,
        same_zero,
    )
    if not tied.pairs:
        for line in report.lost_lines(comparison):
            typer.echo(f"standcam: {line}", err=True)
        typer.echo("standcam: No row of the photos could be tied to a row of the tape; give --pairs.", err=True)
        raise typer.Exit(2)
    inputs = [
        {"path": str(side.folder), "command": side.run.get("command"), "finished": side.run.get("finished")}
        for side in (photo, tape)
    ]
    record = run_record(
        "agree", settings, inputs, started, notes,
        agreement=report.record(comparison),
        alignment=vars(laying) | {"same_zero": same_zero, "pairs": None if pairs is None else str(pairs)},
    )  # fmt: skip
    write_folder(out, report.files(comparison, settings.output.units), record, force)
    _show(comparison, settings.output.units, same_zero, notes, out)
    if not comparison.compared and not comparison.counted:
        raise typer.Exit(2)
    if comparison.compared < len(tied.pairs) or tied.notes:
        raise typer.Exit(1)


def _show(comparison: object, system: str, same_zero: bool, notes: list[str], out: Path) -> None:
    from functools import partial

    from rich.markup import escape

    from standcam.report import agree_report as report
    from standcam.report import screen, wording
    from standcam.validation.compare import Comparison

    assert isinstance(comparison, Comparison)
    to = screen.console()
    lines = partial(screen.tell, to)

    lines([report.answer(comparison, system)])
    lines(report.range_lines(comparison, system))
    if comparison.compared:
        to.print()
        to.print(report.rows_table(comparison, system))
    lines(report.plant_lines(comparison, system), "Missed and extra plants")
    classes = report.class_lines(comparison, system)
    lines(classes, "Doubles and skips")
    if classes:
        to.print(report.class_table(comparison))
    lines(report.limit_lines(comparison, system), "Limits of agreement")
    lines([*notes, *report.lost_lines(comparison)], "Not compared")
    lines(report.untold_lines(comparison, same_zero, system), "What this cannot tell")
    lines(report.caution_lines(comparison), "Cautions")
    to.print(f"\nResults are in {escape(wording.printable(str(out)))}")
