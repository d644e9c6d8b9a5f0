"""Options that several commands share, each meaning the same everywhere."""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from standcam.errors import BadSettings
from standcam.settings import Settings
from standcam.settings_file import read_settings

if TYPE_CHECKING:
    import pandas as pd

    from standcam.aside import Lines
    from standcam.report.results import ResultsWriter

SURVEY_FILE = "survey.toml"


class Units(StrEnum):
    """Units on the screen and in pictures."""

    si = "si"
    us = "us"


class Scale(StrEnum):
    """Where the ground scale comes from."""

    auto = "auto"
    board = "board"
    stick = "stick"
    points = "points"
    height = "height"
    none = "none"


class Locator(StrEnum):
    """Ways of finding stems."""

    learned = "learned"
    shape = "shape"


class Trust(StrEnum):
    """Grades of trust in a row."""

    good = "good"
    fair = "fair"
    poor = "poor"


Out = Annotated[Path, typer.Option("--out", help="Results folder.", show_default=True)]
Force = Annotated[bool, typer.Option("--force", help="Replace results that the folder already holds.")]
Survey = Annotated[
    Path | None,
    typer.Option("--survey", help="Survey file (TOML) with row width, seeding rate, scale and so on."),
]
PlotMap = Annotated[
    Path | None,
    typer.Option(
        "--plot-map",
        help="Plot map (CSV) that ties photos, plots or rows to row_unit, treatment, block and further columns.",
    ),
]
UnitsOption = Annotated[
    Units | None,
    typer.Option("--units", help="si (cm, m, ha) or us (inches, feet, acres) on the screen and in pictures."),
]
RowWidth = Annotated[
    float | None, typer.Option("--row-width-cm", help="Distance from row to row. Needed for plants per ha.")
]
Nominal = Annotated[
    float | None,
    typer.Option("--nominal-cm", help="Seed spacing the planter was set to (theoretical spacing)."),
]
SeedingRate = Annotated[
    float | None,
    typer.Option("--seeding-rate-ha", help="Seeds per ha; with the row width it gives the theoretical spacing."),
]

LocatorOption = Annotated[
    Locator | None,
    typer.Option(
        "--locator", help="How stems are found: learned (network) or shape (faster, less sure). [default: learned]"
    ),
]

TurnsOption = Annotated[
    int | None,
    typer.Option(
        "--turns",
        min=1,
        max=8,
        help="Times the network looks at each photo, mirrored and turned: 3 or 8 are surer, and slower. [default: 1]",
    ),
]

Raw = Annotated[
    bool, typer.Option("--raw", help="Leave edits by hand (standcam review) aside and take what was found.")
]

MinTrust = Annotated[
    Trust | None,
    typer.Option(
        "--min-trust",
        help="Leave rows of less trust out of all summaries, and list them. [default: poor, which leaves none out]",
    ),
]

Workers = Annotated[
    int | None,
    typer.Option("--workers", help="Processes that count photos. [default: one a core, for four photos or more each]"),
]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="ADDRESS", help="Dask scheduler whose workers count instead; they must see the photos."
    ),
]
Report = Annotated[
    bool | None,
    typer.Option(
        "--report/--no-report",
        help="Write report.html, a page to read on a phone and to print. [default: yes, but for a single photo no]",
        show_default=False,
    ),
]
Tables = Annotated[
    str | None,
    typer.Option(
        "--tables",
        metavar="xlsx,parquet",
        help="Further files beside the CSV: xlsx, parquet, both, or none. [default: xlsx with the report]",
    ),
]


def gather_settings(
    survey: Path | None = None,
    units: Units | None = None,
    row_width_cm: float | None = None,
    nominal_cm: float | None = None,
    seeding_rate_ha: float | None = None,
    locator: Locator | None = None,
    min_trust: Trust | None = None,
    turns: int | None = None,
) -> Settings:
    """Settings of the survey file, if any, with the options of the call laid over them.

    Raises
    ------
    BadSettings
        The survey file or an option does not make sense.
    """
    settings = read_settings(survey) if survey is not None else Settings()
    require_positive_spacing(row_width_cm, nominal_cm, seeding_rate_ha)
    settings = settings.replace("stems", locator=None if locator is None else locator.value, turns=turns)
    settings = settings.replace("statistics", min_trust=None if min_trust is None else min_trust.value)
    return settings.replace("output", units=None if units is None else units.value).replace(
        "spacing",
        row_width_cm=row_width_cm,
        nominal_spacing_cm=nominal_cm,
        seeding_rate_per_ha=seeding_rate_ha,
    )


def table_kinds(text: str | None) -> tuple[str, ...] | None:
    """Kinds of table files that were asked for; None where nothing was said.

    Raises
    ------
    BadSettings, ParquetMissing
    """
    if text is None:
        return None
    from standcam.report.extras import parse_kinds

    return parse_kinds(text)


def results_pages(
    frames: Mapping[str, pd.DataFrame | Lines],
    settings: Settings,
    record: dict[str, Any],
    out: Path,
    report: bool,
    kinds: tuple[str, ...] | None,
    writer: ResultsWriter,
    **more: Any,
) -> list[str]:
    """Put report page and table files of a run beside its tables; in sentences, what could not be made of them.

    What else the page shows (map of a strip, chains) goes under the names that ``html_run.Run`` has for it.
    """
    kinds = (("xlsx",) if report else ()) if kinds is None else kinds
    if not report and not kinds:
        return []
    from standcam.aside import Lines
    from standcam.report.extras import further_files
    from standcam.report.folder import with_design
    from standcam.report.html_run import Run
    from standcam.report.results import TABLES

    lines = {table.name: Lines.of(table, frames[table.name]) for table in TABLES.values()}
    rows = lines["rows"].whole()
    described = with_design(rows, lines["plants"], None)[0]
    held = lines["rows"] if described is rows else Lines.of(TABLES["rows.csv"], described)
    del rows, described  # else they would stay as long as the page is made
    run = Run(
        rows_lines=held,
        plants=lines["plants"],
        gaps=lines["gaps"],
        plots=lines["plots"],
        problems=lines["problems"].whole(),
        settings=settings,
        record=record,
        name=out.resolve().name,
        picture=writer.marked_photo,
        **more,
    )
    return writer.make(lambda folder: further_files(run, report, kinds, folder))


def require_positive(name: str, value: float | None) -> None:
    """Refuse a length or rate that is no positive number.

    Raises
    ------
    BadSettings
        With the option's name and the value.
    """
    if value is not None and not (math.isfinite(value) and value > 0):
        raise BadSettings(f"{name} is {value:g}.", "It must be a number greater than zero.")


def require_positive_spacing(
    row_width_cm: float | None, nominal_cm: float | None, seeding_rate_ha: float | None
) -> None:
    """The same of the options that say what the planter was meant to do.

    Raises
    ------
    BadSettings
    """
    require_positive("--row-width-cm", row_width_cm)
    require_positive("--nominal-cm", nominal_cm)
    require_positive("--seeding-rate-ha", seeding_rate_ha)


def parse_points(text: str | None) -> tuple[float, float, float, float, float] | None:
    """``x,y,x,y,cm`` as five numbers.

    Raises
    ------
    BadSettings
        Not five numbers, the two points are one, or the length is not positive.
    """
    if text is None:
        return None
    try:
        x0, y0, x1, y1, cm = (float(part) for part in text.split(","))
    except ValueError:
        raise BadSettings(
            f"--points is {text!r}.", "Write x,y,x,y,cm: two points in pixels and their distance in cm."
        ) from None
    if not all(math.isfinite(v) for v in (x0, y0, x1, y1, cm)) or cm <= 0 or (x0, y0) == (x1, y1):
        raise BadSettings(f"--points is {text!r}.", "Give two different points and a distance above zero.")
    return x0, y0, x1, y1, cm
