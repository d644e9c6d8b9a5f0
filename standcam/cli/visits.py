"""``standcam visits``: the same row sections on several days, and the curve of emergence."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standcam.cli import options

if TYPE_CHECKING:
    import datetime as dt

    from standcam.report.folder import Results
    from standcam.visits.emergence import Visit


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="visits", no_args_is_help=True)(visits)


def visits(
    results: Annotated[
        list[Path],
        typer.Argument(metavar="RESULTS...", help="Results folders, one a day; or one that holds several visits."),
    ],
    planted: Annotated[
        str | None, typer.Option("--planted", help="Date of planting, YYYY-MM-DD: days are counted from it.")
    ] = None,
    dates: Annotated[
        str | None,
        typer.Option(
            "--dates",
            metavar="DATE,DATE...",
            help="Date of each results folder, in order. [default: the column visit, else when photos were taken]",
        ),
    ] = None,
    same_zero: Annotated[
        bool, typer.Option("--same-zero", help="All days were read from the same pegs in the same direction (tapes).")
    ] = False,
    late_days: Annotated[
        float, typer.Option("--late-days", help="A plant is late that comes up so long after half of its plot.")
    ] = 5.0,
    nominal_cm: options.Nominal = None,
    out: options.Out = Path("visits"),
    units: options.UnitsOption = None,
    force: options.Force = False,
) -> None:
    """Plants followed over days: when they came up, how evenly, which are lost, which places stay empty.

    Sections are found again by boards left in the field, by pegs, or by their plants. Writes visits.csv (plants),
    emergence.csv (plots), emergence_days.csv (plots and days) and emergence.png.
    """
    from datetime import UTC, datetime

    from standcam.errors import BadSettings
    from standcam.report.folder import read_results, write_folder
    from standcam.report.results import check_out
    from standcam.report.run_file import run_record

    started = datetime.now(UTC)
    options.require_positive("--nominal-cm", nominal_cm)
    options.require_positive("--late-days", late_days)
    if any(out.resolve() == folder.resolve() for folder in results):
        raise BadSettings(f"--out {out} is one of the results folders.", "Name another folder.")
    check_out(out, force)
    told = None if dates is None else [_date("--dates", part) for part in dates.split(",")]
    if told is not None and len(told) != len(results):
        raise BadSettings(f"--dates names {len(told)} days for {len(results)} folders.", "Give one date a folder.")
    read = [read_results(folder) for folder in results]
    settings = read[-1].settings.replace("output", units=None if units is None else units.value)
    settings = settings.replace("spacing", nominal_spacing_cm=nominal_cm)
    notes = [note for one in read for note in one.notes]

    from standcam.report import visits_report as report
    from standcam.report.screen import console
    from standcam.visits.emergence import emergence
    from standcam.visits.track import VisitSettings

    days: list[Visit] = []
    for k, one in enumerate(read):
        days += _visits_of(one, None if told is None else told[k], notes)
    found = emergence(
        days,
        None if planted is None else _date("--planted", planted),
        _nominal(read, nominal_cm, notes),
        VisitSettings(late_days=late_days),
        settings.statistics,
        same_zero,
    )
    inputs = [
        {"path": str(one.folder), "command": one.run.get("command"), "settings_digest": one.run.get("settings_digest")}
        for one in read
    ]
    asked = {
        "planted": planted,
        "days": [day.isoformat() for day in found.days],
        "same_zero": same_zero,
        "late_days": late_days,
        "nominal_cm": found.nominal_cm,
    }
    record = run_record("visits", settings, inputs, started, [*found.notes, *notes], asked=asked)
    write_folder(out, report.files(found), record, force)
    report.show(found, console(), notes, str(out))


def _date(option: str, text: str) -> dt.date:
    import datetime as dt

    from standcam.errors import BadSettings

    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise BadSettings(f"{option} has {text.strip()!r}.", "Write dates as 2031-05-14.") from None


def _visits_of(one: Results, day: dt.date | None, notes: list[str]) -> list[Visit]:
    """Visits that a results folder holds: by its column visit, else all of it on one day."""
    import datetime as dt

    from standcam import tables
    from standcam.chain.register import MARKS
    from standcam.errors import BadSettings
    from standcam.report.csv_tables import read_table
    from standcam.visits.emergence import Visit

    marks = read_table(one.folder, MARKS) if (one.folder / "marks.csv").is_file() else tables.empty(MARKS)
    source = "tape" if one.run.get("command") == "tape" else "photo"
    column = next((name for name in ("visit_date", "visit") if name in one.rows), None)
    groups: dict[dt.date, set[str]] = {}
    if day is None and column is not None and (one.rows[column].astype(str) != "").any():
        bad = []
        for photo, text in zip(one.rows["photo"], one.rows[column].astype(str), strict=True):
            try:
                groups.setdefault(dt.date.fromisoformat(text.strip()[:10]), set()).add(photo)
            except ValueError:
                bad.append(text)
        if bad and groups:
            notes.append(f"{len(bad)} rows of {one.folder} name no date of visit ({bad[0]!r}) and are left out.")
        if bad and not groups:
            groups = {}
    if day is None and not groups:
        taken = _taken(one)
        if len(taken) > 1 and len({p for _, p in taken}) and _repeats(one, taken):
            for date, photo in taken:
                groups.setdefault(date, set()).add(photo)
        elif taken:
            day = sorted(date for date, _ in taken)[len(taken) // 2]
            span = (max(d for d, _ in taken) - min(d for d, _ in taken)).days
            if span > 0:
                notes.append(f"Photos of {one.folder} were taken over {span} days; all count as {day}.")
        else:
            raise BadSettings(
                f"{one.folder} does not tell when its rows were looked at.",
                "Give --dates, one date a results folder, in their order.",
            )
    if day is not None:
        groups = {day: set(one.rows["photo"])}

    def part(photos: set[str], date: dt.date) -> Visit:
        plants, gaps, rows, seen = (t[t["photo"].isin(photos)].reset_index(drop=True) for t in
                                    (one.plants, one.gaps, one.rows, marks))  # fmt: skip
        return Visit(str(one.folder), date, plants, gaps, rows, seen, source)

    return [part(photos, date) for date, photos in groups.items()]


def _taken(one: Results) -> list[tuple[dt.date, str]]:
    """Day on which each photo, or the first photo of a chain, was taken."""
    import datetime as dt

    when: dict[str, dt.date] = {}
    for record in one.run.get("inputs", []):
        text = str(record.get("taken") or "")[:10].replace(":", "-")
        try:
            when[str(record.get("photo"))] = dt.date.fromisoformat(text)
        except ValueError:
            continue
    found = []
    for photo in dict.fromkeys(one.rows["photo"]):
        first = photo if photo in when else str(photo).split("..")[0]
        if first in when:
            found.append((when[first], photo))
    return found


def _repeats(one: Results, taken: list[tuple[dt.date, str]]) -> bool:
    """Whether plots come again on another day, so that the folder holds visits and not one long day."""
    plot_of = dict(zip(one.rows["photo"], one.rows["plot"], strict=True))
    seen = {(plot_of[photo], date) for date, photo in taken}
    plots = [plot for plot, _ in seen]
    return len(plots) > len(set(plots))


def _nominal(read: list[Results], given: float | None, notes: list[str]) -> float:
    """Theoretical spacing: as given, else that of the last results, estimated or not."""
    import math

    if given is not None:
        return given
    for one in reversed(read):
        known = one.rows["nominal_spacing_cm"].dropna()
        if len(known):
            if (one.rows["nominal_source"] == "estimated").any():
                notes.append(
                    f"Theoretical spacing {float(known.iloc[0]):.1f} cm was estimated from the plants of {one.folder}."
                )
            return float(known.iloc[0])
    return math.nan
