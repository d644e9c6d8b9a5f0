"""What a run prints: one table line a row of plants, totals, what to look at, where the results are."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table

from standcam import flags, tables, trust
from standcam.report import wording
from standcam.report.wording import plural
from standcam.spacing.spacings import Spacings

if TYPE_CHECKING:
    import pandas as pd
    from rich.progress import Progress as Shown
    from rich.progress import TaskID

    from standcam.aside import Lines
    from standcam.batch.progress import Progress
    from standcam.report.overall_words import AllRows
    from standcam.settings import Settings

PIPED_WIDTH = 200
"""A pipe or file has no width; this keeps every table line on one line. [characters]"""

MOST_ROWS = 500
"""Rows printed line by line: nobody reads more on a screen, and laying out a table of 10,000 takes 120 MB."""

CAUTION_OF = {
    "photo": "Replanting and planter changes are costly: check some rows by tape first. Photos show the stand of one "
    "day and place; local advice decides.",
    "tape file": "Replanting and planter changes are costly: a few rows are not the field, and tell of one day and "
    "place; local advice decides.",
    "strip": "Replanting and planter changes are costly: pictures from the air bend and double plants where two of "
    "them meet, so check some metres of row by tape first; local advice decides. Fly by the local rules of aviation, "
    "within sight, away from people, livestock, roads and power lines.",
}
"""By what the inputs are."""


def console(stream: TextIO | None = None) -> Console:
    """A console that keeps to the terminal's width and to NO_COLOR, and is plain when piped."""
    stream = stream or sys.stdout
    width = None if stream.isatty() else PIPED_WIDTH
    return Console(file=stream, width=width, highlight=False, soft_wrap=False)


def tell(to: Console, texts: Sequence[str], heading: str = "") -> None:
    """Sentences one below the other, under a heading where there are any."""
    if texts and heading:
        to.print(f"\n[bold]{heading}[/bold]")
    for text in texts:
        to.print(escape(wording.printable(text)))


def print_captured(to: Console, text: str) -> None:
    """Print what the same console captured before."""
    if to.legacy_windows:  # it takes no escape codes
        from rich.text import Text

        to.print(Text.from_ansi(text))
    else:
        to.file.write(text)


class Bar:
    """How far a run has come: what it is at, photos done, time left, and problems so far."""

    def __init__(self, bar: Shown) -> None:
        self._bar = bar
        self._task: TaskID | None = None
        self._problems = 0

    def begin(self, doing: str, total: int) -> None:
        """A new stage, of so many photos."""
        if self._task is not None:
            self._bar.remove_task(self._task)
        self._task = self._bar.add_task(doing, total=total, problems=self._words())

    def __call__(self, done: object) -> None:
        """One photo more; with a ``problem`` it is counted as one."""
        if self._task is None:
            return
        self._problems += getattr(done, "problem", None) is not None
        self._bar.update(self._task, advance=1, problems=self._words())

    def _words(self) -> str:
        return f"[bold]{plural(self._problems, 'problem')}[/bold]" if self._problems else "no problems"


@contextmanager
def progress(shown: bool = True) -> Iterator[Progress]:
    """A bar on the error stream for the stages of a run, gone when done; unseen where that is no terminal."""
    from standcam.batch.progress import UNSEEN

    to = console(sys.stderr)
    if not (shown and to.is_terminal):
        yield UNSEEN
        return
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Shown

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("left, {task.fields[problems]}"),
    )
    with Shown(*columns, console=to, transient=True) as bar:
        yield Bar(bar)


def show(
    rows: pd.DataFrame,
    gaps: pd.DataFrame | Lines,
    problems: pd.DataFrame,
    settings: Settings,
    out: Path,
    *,
    scale_methods: Sequence[str] = (),
    source: str = "tape file",
    notes: Sequence[str] = (),
    to: Console | None = None,
    all_rows: AllRows | None = None,
) -> None:
    """Print the outcome of a run.

    Parameters
    ----------
    rows, problems : DataFrame
        ROWS and PROBLEMS of the run.
    gaps : DataFrame or Lines
        Its GAPS.
    settings : Settings
        Units, and what was given.
    out : Path
        Results folder.
    scale_methods : sequence of str
        Method of each photo; empty for a tape or a strip.
    source : str
        What an input is: photo, tape file or strip.
    notes : sequence of str
        Sentences about the run.
    to : Console, optional
        Where to print; standard output by default.
    all_rows : AllRows, optional
        What all rows together tell, where that is known already.
    """
    from standcam.report.overall_words import AllRows

    to = to or console()
    for note in notes:
        to.print(_text(note))
    few = rows if len(rows) <= MOST_ROWS else rows.iloc[:MOST_ROWS]
    table, legend = rows_table(few, settings.output.units)
    if len(rows):
        if _least_width(to, table) <= to.width:
            to.print(table)
        else:  # a table that is cut would lose numbers in silence
            letters = {meaning: mark for mark, meaning in legend.items()}
            for r in few.itertuples():
                marks = " ".join(letters[c] for c in concerns(r))
                words = " ".join(wording.row_words(r, settings.output.units))
                words = f"{words}; trust {wording.trust_words(r)}" if r.trust else words
                to.print(_text(f"{_place(r, _by_plot(few))} row {r.row}: {words}. {marks}".rstrip()))
        for mark, meaning in legend.items():
            to.print(f"  [bold]{mark}[/bold]  {_text(meaning)}")
    if len(few) < len(rows):
        to.print(_text(_further(rows.iloc[MOST_ROWS:])))
    to.print()
    # what was left out stands in the table and in the notes, and in no number below
    rows = trust.rows_kept(rows)
    told: Sequence[str] = ()
    if not_sought(rows):
        to.print(_text(bare_line(rows, Spacings.of(rows, gaps), settings.output.units)))
        rows = rows.iloc[:0]
    else:
        all_rows = all_rows or AllRows.of(rows, gaps, settings, "photo" if scale_methods else source)
        to.print(_text(all_rows.totals))
        told = all_rows.spacing
    if len(rows) or source != "strip":
        for line in [*weed_lines(rows, settings), *told]:
            to.print(_text(line))
        for line in nominal_lines(rows, settings.output.units):
            to.print(_text(line))
    if scale_methods:
        to.print(_text(scale_line(scale_methods)))
    if len(problems):
        n = len(problems)
        to.print(f"[bold]{unused(n, source)}:[/bold]")
        for reason, remedy in list(zip(problems["reason"], problems["remedy"], strict=True))[: wording.MAX_PROBLEMS]:
            to.print(f"  {_text(f'{reason} {remedy}')}")
        if n > wording.MAX_PROBLEMS:
            to.print(f"  and {n - wording.MAX_PROBLEMS} more, see problems.csv.")
    to.print(f"Results are in {_text(str(out))}")
    to.print(_text(CAUTION_OF["photo" if scale_methods else source]))


def not_sought(rows: pd.DataFrame) -> bool:
    """Whether no plant was sought in these rows, for want of resolution."""
    return bool(len(rows)) and bool((rows["status"] == tables.NO_STEMS).any())


def bare_line(rows: pd.DataFrame, bare: Spacings, units: str) -> str:
    """What is told of rows in which no plant was sought."""
    length = float(rows["row_length_cm"].sum())
    length_bare = float(bare.gap_cm.sum())
    share = f", {wording.percent(100 * length_bare / length)} of the rows" if length > 0 else ""
    stretches = f"{len(bare) or 'No'} {'stretch' if len(bare) == 1 else 'stretches'} without green"
    return (
        f"All: {plural(len(rows), 'row')} on {wording.row_length(length, units)}; pixels too coarse for plants, so "
        f"none was sought. {stretches} of {wording.row_length(length_bare, units)} in all{share}."
    )


def unused(n: int, source: str) -> str:
    """That some of the inputs could not be used, without a stop. Of a strip, one problem may be several plots."""
    return "Not all could be used" if source == "strip" else f"{plural(n, 'input')} could not be used"


def _further(rows: pd.DataFrame) -> str:
    """What is not printed line by line, and how much of it is doubtful."""
    doubtful = [f"{n} of {grade} trust" for grade in flags.GRADES[:-1] if (n := int((rows["trust"] == grade).sum()))]
    return f"And {', '.join([plural(len(rows), 'further row'), *doubtful])}: rows.csv has them all."


def rows_table(rows: pd.DataFrame, units: str) -> tuple[Table, dict[str, str]]:
    """The table, and the sentence behind each letter of its last column."""
    us = units == "us"
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    by_plot = _by_plot(rows)
    table.add_column("plot" if by_plot else "photo", overflow="fold", min_width=8)
    for name in (
        "row", f"length\n{'ft' if us else 'm'}", "plants", f"mean\ngap {'in' if us else 'cm'}", "CV\n%",
        "doub-\nles %", "sin-\ngles %", "skips\n%", f"plants\n/{'acre' if us else 'ha'}",
    ):  # fmt: skip
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("trust" if rows["trust"].any() else "look", overflow="fold")
    legend: dict[str, str] = {}
    letters: dict[str, str] = {}
    for r in rows.itertuples():
        marks = []
        for sentence in concerns(r):
            if sentence not in letters:
                letters[sentence] = _letter(len(letters))
                legend[letters[sentence]] = sentence
            marks.append(letters[sentence])
        table.add_row(
            _text(_place(r, by_plot)),
            str(r.row),
            wording.row_length(r.row_length_cm, units, unit=False),
            wording.NOTHING if r.status == tables.NO_STEMS else str(r.plants),
            wording.spacing(r.mean_gap_cm, units, unit=False),
            wording.number(r.cv_pct),
            wording.number(r.multiples_pct),
            wording.number(r.quality_of_feed_pct),
            wording.number(r.misses_pct),
            wording.population(r.plants_per_ha, units, unit=False),
            " ".join([*([wording.trust_words(r)] if r.trust else []), *marks]),
        )
    return table, legend


def _by_plot(rows: pd.DataFrame) -> bool:
    """Whether photos or tape files do not tell rows apart, as where one file holds many plots."""
    return bool(rows.duplicated(["photo", "row"]).any())


def _place(row: object, by_plot: bool) -> str:
    return row.plot if by_plot else row.photo  # type: ignore[attr-defined]


def weed_lines(rows: pd.DataFrame, settings: Settings) -> list[str]:
    """Weeds beside the rows of photos; nothing of a tape, which tells none."""
    if not rows["weeds"].notna().any():
        return []
    reach = wording.spacing(settings.stems.weeds_reach_cm, settings.output.units)
    n = int(rows["weeds"].sum())
    return [f"Weeds: {n or 'none'} seen within {reach} of the row lines, not counted as plants."]


def nominal_lines(rows: pd.DataFrame, units: str) -> list[str]:
    """Against which theoretical spacing the gaps were classed, and where it came from."""
    columns = ["nominal_spacing_cm", "nominal_source"]
    known = rows.loc[rows["nominal_spacing_cm"].notna(), columns].drop_duplicates("nominal_spacing_cm")
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
        lines.append(f"Row width unknown: no plants per {'acre' if units == 'us' else 'ha'}; give --row-width-cm.")
    return lines


def scale_line(methods: Sequence[str]) -> str:
    """Which scale methods served, and in how many photos."""
    counts = Counter(methods)
    parts = [f"{wording.scale(m)} in {plural(n, 'photo')}" for m, n in counts.most_common() if m != "none"]
    if counts["none"]:
        parts.append(f"none in {plural(counts['none'], 'photo')} (no centimetres there)")
    return f"Ground scale: {', '.join(parts)}."


def _least_width(to: Console, table: Table) -> int:
    wide = to.options.update(max_width=10_000)
    return Measurement.get(to, wide, table).minimum


def concerns(row: object) -> list[str]:
    """Sentences on one line of ROWS that a reader should look at."""
    told = {
        "no_row": "no row was found",
        "no_scale": "",  # its flag says it
        "empty": "no plant was found on the measured length: an empty stand counts as 0 plants",
        tables.NO_STEMS: "",  # said of all together
    }.get(row.status, "")  # type: ignore[attr-defined]
    bits = flags.parse(row.flags)  # type: ignore[attr-defined]
    if hasattr(row, "strip_row") and bits & flags.bit("at_edge"):  # there it is said of the row, not of a stem
        bits &= ~flags.bit("at_edge")
        told = "; ".join(filter(None, (told, "the row runs on beyond the edge of the picture")))
    return ([told] if told else []) + wording.warnings(bits)


def _letter(n: int) -> str:
    return chr(ord("a") + n) if n < 26 else f"{_letter(n // 26 - 1)}{_letter(n % 26)}"


def _text(text: str) -> str:
    """Text with no markup of its own, fit for any terminal."""
    return escape(wording.printable(text))
