"""What a run prints: one table line a row of plants, totals, what to look at, where the results are."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table

from standcam import flags
from standcam.report import wording

if TYPE_CHECKING:
    import pandas as pd

    from standcam.settings import Settings

PIPED_WIDTH = 200
"""A pipe or file has no width; this keeps every table line on one line. [characters]"""

CAUTION = (
    "Replanting and planter changes are costly: check some rows by tape first. Photos show the stand of one "
    "day and place; local advice decides."
)
TAPE_CAUTION = (
    "Replanting and planter changes are costly: a few rows are not the field, and tell of one day and place; "
    "local advice decides."
)


def console(stream: TextIO | None = None) -> Console:
    """A console that keeps to the terminal's width and to NO_COLOR, and is plain when piped."""
    stream = stream or sys.stdout
    width = None if stream.isatty() else PIPED_WIDTH
    return Console(file=stream, width=width, highlight=False, soft_wrap=False)


@contextmanager
def progress(console: Console, total: int) -> Iterator[Callable[[object], None]]:
    """A bar that moves by one at each call of what it gives; gone when done."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("Counting"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )
    with bar:
        task = bar.add_task("", total=total)
        yield lambda _: bar.advance(task)


def show(
    rows: pd.DataFrame,
    gaps: pd.DataFrame,
    problems: pd.DataFrame,
    settings: Settings,
    out: Path,
    *,
    scale_methods: Sequence[str] = (),
    notes: Sequence[str] = (),
    to: Console | None = None,
) -> None:
    """Print the outcome of a run.

    Parameters
    ----------
    rows, gaps, problems : DataFrame
        ROWS, GAPS and PROBLEMS of the run.
    settings : Settings
        Units, and what was given.
    out : Path
        Results folder.
    scale_methods : sequence of str
        Method of each photo; empty for a tape.
    notes : sequence of str
        Sentences about the run.
    to : Console, optional
        Where to print; standard output by default.
    """
    to = to or console()
    for note in notes:
        to.print(_text(note))
    table, legend = rows_table(rows, settings.output.units)
    if len(rows):
        if _least_width(to, table) <= to.width:
            to.print(table)
        else:  # a table that is cut would lose numbers in silence
            letters = {meaning: mark for mark, meaning in legend.items()}
            for r in rows.itertuples():
                marks = " ".join(letters[c] for c in _concerns(r))
                words = " ".join(wording.row_words(r, settings.output.units))
                to.print(_text(f"{r.photo} row {r.row}: {words}. {marks}".rstrip()))
        for mark, meaning in legend.items():
            to.print(f"  [bold]{mark}[/bold]  {_text(meaning)}")
    to.print()
    to.print(_text(totals(rows, gaps, settings.output.units, "photo" if scale_methods else "tape file")))
    for line in nominal_lines(rows, settings.output.units):
        to.print(_text(line))
    if scale_methods:
        to.print(_text(scale_line(scale_methods)))
    if len(problems):
        n = len(problems)
        to.print(f"[bold]{n} {'input' if n == 1 else 'inputs'} could not be used:[/bold]")
        for reason, remedy in list(zip(problems["reason"], problems["remedy"], strict=True))[
            : wording.MAX_PROBLEMS
        ]:
            to.print(f"  {_text(f'{reason} {remedy}')}")
        if n > wording.MAX_PROBLEMS:
            to.print(f"  and {n - wording.MAX_PROBLEMS} more, see problems.csv.")
    to.print(f"Results are in {_text(str(out))}")
    to.print(_text(CAUTION if scale_methods else TAPE_CAUTION))


def rows_table(rows: pd.DataFrame, units: str) -> tuple[Table, dict[str, str]]:
    """The table, and the sentence behind each letter of its last column."""
    us = units == "us"
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("photo", overflow="fold", min_width=8)
    for name in (
        "row", f"length\n{'ft' if us else 'm'}", "plants", f"mean\ngap {'in' if us else 'cm'}", "CV\n%",
        "doub-\nles %", "sin-\ngles %", "skips\n%", f"plants\n/{'acre' if us else 'ha'}",
    ):  # fmt: skip
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("look", overflow="fold")
    legend: dict[str, str] = {}
    letters: dict[str, str] = {}
    for r in rows.itertuples():
        marks = []
        for sentence in _concerns(r):
            if sentence not in letters:
                letters[sentence] = _letter(len(letters))
                legend[letters[sentence]] = sentence
            marks.append(letters[sentence])
        table.add_row(
            _text(r.photo),
            str(r.row),
            wording.row_length(r.row_length_cm, units, unit=False),
            str(r.plants),
            wording.spacing(r.mean_gap_cm, units, unit=False),
            wording.number(r.cv_pct),
            wording.number(r.multiples_pct),
            wording.number(r.quality_of_feed_pct),
            wording.number(r.misses_pct),
            wording.population(r.plants_per_ha, units, unit=False),
            " ".join(marks),
        )
    return table, legend


def totals(rows: pd.DataFrame, gaps: pd.DataFrame, units: str, source: str = "photo") -> str:
    """One line over all rows; ratios are taken of sums, so that long rows weigh more."""
    measured = rows[rows["row_length_cm"].notna()]
    closed = gaps[gaps["kind"] != "open"]
    gap, kind = closed["gap_cm"], closed["kind"]
    parts = [
        f"All: {_plural(rows['photo'].nunique(), source)}, {_plural(len(rows), 'row')}",
        f"{_plural(int(rows['plants'].sum()), 'plant')} on "
        f"{wording.row_length(measured['row_length_cm'].sum(), units)} of row",
    ]
    if len(gap):
        parts.append(f"mean gap {wording.spacing(gap.mean(), units)}")
    if len(gap) > 1 and gap.mean() > 0:
        parts.append(f"CV {wording.percent(100 * gap.std(ddof=1) / gap.mean())}")
    classed = kind[kind != ""]
    if len(classed):
        doubles, singles = (classed == "double").mean(), (classed == "single").mean()
        parts.append(
            f"doubles {wording.percent(100 * doubles)}, singles {wording.percent(100 * singles)}, "
            f"skips {wording.percent(100 * (1 - doubles - singles))}"
        )
    area_cm2 = (measured["row_length_cm"] * measured["row_width_cm"]).sum(skipna=False)
    if area_cm2 > 0:
        parts.append(wording.population(measured["plants"].sum() / area_cm2 * 1e8, units))
    return "; ".join(parts) + "."


def nominal_lines(rows: pd.DataFrame, units: str) -> list[str]:
    """Against which theoretical spacing the gaps were classed, and where it came from."""
    known = rows[rows["nominal_spacing_cm"].notna()].drop_duplicates("nominal_spacing_cm")
    origin = {
        "given": "as given",
        "seeding_rate": "from seeding rate and row width",
        "estimated": "estimated from the plants; give --nominal-cm if you know it",
    }
    lines = [
        f"Theoretical spacing: {wording.spacing(r.nominal_spacing_cm, units)} "
        f"({origin.get(r.nominal_source, r.nominal_source)})."
        for r in known.itertuples()
    ]
    if len(rows) and rows["row_width_cm"].isna().all():
        lines.append(
            f"Row width unknown: no plants per {'acre' if units == 'us' else 'ha'}; give --row-width-cm."
        )
    return lines


def scale_line(methods: Sequence[str]) -> str:
    """Which scale methods served, and in how many photos."""
    counts = Counter(methods)
    parts = [f"{wording.scale(m)} in {_plural(n, 'photo')}" for m, n in counts.most_common() if m != "none"]
    if counts["none"]:
        parts.append(f"none in {_plural(counts['none'], 'photo')} (no centimetres there)")
    return f"Ground scale: {', '.join(parts)}."


def _least_width(to: Console, table: Table) -> int:
    wide = to.options.update(max_width=10_000)
    return Measurement.get(to, wide, table).minimum


def _concerns(row: object) -> list[str]:
    told = {
        "no_row": "no row was found",
        "no_scale": "",  # its flag says it
        "empty": "no plant was found on the measured length: an empty stand counts as 0 plants",
    }.get(row.status, "")  # type: ignore[attr-defined]
    sentences = wording.warnings(flags.parse(row.flags))  # type: ignore[attr-defined]
    return ([told] if told else []) + sentences


def _letter(n: int) -> str:
    return chr(ord("a") + n) if n < 26 else f"{_letter(n // 26 - 1)}{_letter(n % 26)}"


def _plural(n: int, thing: str) -> str:
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"


def _text(text: str) -> str:
    """Text with no markup of its own, fit for any terminal."""
    return escape(wording.printable(text))
