"""What a run prints: one table line a row of plants, totals, what to look at, where the results are."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import numpy as np
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
    from rich.progress import Progress, TaskID

    from standcam.aside import Lines
    from standcam.estimate import Estimate
    from standcam.settings import Settings
    from standcam.stand.population import Overall

PIPED_WIDTH = 200
"""A pipe or file has no width; this keeps every table line on one line. [characters]"""

MOST_ROWS = 500
"""Rows printed line by line: nobody reads more on a screen, and laying out a table of 10,000 takes 120 MB."""

FEW_UNITS = 5
"""Fewer rows or plots than this give ranges that are wide for their sake alone."""

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


class Bar:
    """How far a run has come: what it is at, photos done, time left, and problems so far."""

    def __init__(self, bar: Progress) -> None:
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
def progress(console: Console) -> Iterator[Bar]:
    """A bar for the stages of a run; gone when done."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("left, {task.fields[problems]}"),
    )
    with Progress(*columns, console=console, transient=True) as bar:
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
    """
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
    spacings = Spacings.of(rows, gaps)
    if not_sought(rows):
        to.print(_text(bare_line(rows, spacings, settings.output.units)))
        rows = rows.iloc[:0]
    else:
        to.print(_text(totals(rows, spacings, settings.output.units, "photo" if scale_methods else source)))
    if len(rows) or source != "strip":
        for line in [*weed_lines(rows, settings), *spacing_lines(rows, spacings, settings)]:
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


def totals(rows: pd.DataFrame, spacings: Spacings, units: str, source: str = "photo") -> str:
    """One line over all rows; ratios are taken of sums, so that long rows weigh more."""
    measured = rows[rows["row_length_cm"].notna()]
    gap, classed = spacings.in_cm, spacings.classed
    parts = [
        f"All: {plural(rows['photo'].nunique(), source)}, {plural(len(rows), 'row')}",
        f"{plural(int(rows['plants'].sum()), 'plant')} on "
        f"{wording.row_length(measured['row_length_cm'].sum(), units)} of row",
    ]
    if len(gap):
        parts.append(f"mean gap {wording.spacing(gap.mean(), units)}")
    if len(gap) > 1 and gap.mean() > 0:
        parts.append(f"CV {wording.percent(100 * gap.std(ddof=1) / gap.mean())}")
    if len(classed):
        doubles, singles = (classed == 0).mean(), (classed == 1).mean()
        parts.append(
            f"doubles {wording.percent(100 * doubles)}, singles {wording.percent(100 * singles)}, "
            f"skips {wording.percent(100 * (1 - doubles - singles))}"
        )
    per_ha = pooled_per_ha(rows)
    if per_ha == per_ha:
        parts.append(f"{wording.population(per_ha, units)}, {wording.on_small_area(per_ha, units)}")
    return "; ".join(parts) + "."


def pooled_per_ha(rows: pd.DataFrame) -> float:
    """Plants on all measured rows over their area; NaN without a row width. [1/ha]"""
    measured = rows[rows["row_length_cm"].notna()]
    area_cm2 = float((measured["row_length_cm"] * measured["row_width_cm"]).sum(skipna=False))
    return float(measured["plants"].sum()) / area_cm2 * 1e8 if area_cm2 > 0 else float("nan")


def weed_lines(rows: pd.DataFrame, settings: Settings) -> list[str]:
    """Weeds beside the rows of photos; nothing of a tape, which tells none."""
    if not rows["weeds"].notna().any():
        return []
    reach = wording.spacing(settings.stems.weeds_reach_cm, settings.output.units)
    n = int(rows["weeds"].sum())
    return [f"Weeds: {n or 'none'} seen within {reach} of the row lines, not counted as plants."]


def spacing_lines(rows: pd.DataFrame, spacings: Spacings, settings: Settings) -> list[str]:
    """How sure the numbers over all rows are, and what they do not show by themselves."""
    from standcam.stand.population import overall

    if not len(rows):
        return []
    all_rows = overall(rows, spacings, settings.statistics)
    lines = [range_line(all_rows, settings), *emergence_lines(all_rows, rows, settings)]
    if len(spacings) > 1:
        lines += [gaps_line(spacings.in_cm, rows, settings)]
    if len(spacings.classed):
        lines += [forms_line(spacings.classed)]
    return [line for line in lines if line]


def range_line(all_rows: Overall, settings: Settings) -> str:
    """The intervals over all rows, and what they rest on."""
    us, level = settings.output.units, f"{100 * settings.statistics.level:g} %"
    people = wording.span(*_ends(all_rows.plants_per_ha), lambda v: wording.population(v, us))
    spans = (
        ("mean gap", wording.span(*_ends(all_rows.mean_gap_cm), lambda v: wording.spacing(v, us))),
        ("CV", wording.span(*_ends(all_rows.cv_pct), wording.percent)),
        ("doubles", wording.span(*_ends(all_rows.multiples_pct), wording.percent)),
        ("skips", wording.span(*_ends(all_rows.misses_pct), wording.percent)),
    )
    spacing = "; ".join(f"{name} {span}" for name, span in spans if span != wording.NOTHING)
    parts: dict[str, list[str]] = {}
    for words, unit, n in (
        (people, all_rows.unit, all_rows.units),
        (spacing, all_rows.spacing_unit, all_rows.spacing_units),
    ):
        if words and words != wording.NOTHING:
            base = f"{n} {unit} as the units" if unit != "gaps" else f"{n} gaps of these rows alone"
            parts.setdefault(base, []).append(words)
    if not parts:
        return "Range: none can be given from so few gaps and rows; measure more rows."
    line = ". ".join(f"Range ({level}, {base}): {'; '.join(words)}" for base, words in parts.items())
    if "gaps" in (all_rows.unit, all_rows.spacing_unit) or all_rows.units < FEW_UNITS:
        few = "plots" if all_rows.unit == "plots" else "rows"
        line += f". So few {few} tell little of the others; measure more"
    return f"{line}."


def emergence_lines(all_rows: Overall, rows: pd.DataFrame, settings: Settings) -> list[str]:
    """Plants out of seeds, where rate or spacing were given."""
    from standcam.stand.population import emergence

    long = rows[rows["row_length_cm"].notna()]
    sums = long[["plants", "row_length_cm"]].sum().to_numpy(float)
    of_seeds, of_viable = (float(e[0]) for e in emergence(sums[:1], sums[1:], settings.spacing))
    if of_seeds != of_seeds:
        return []
    line = f"Emergence: {wording.percent(of_seeds)}"
    density = all_rows.plants_per_ha
    if density.value > 0 and density.low == density.low:
        factor = of_seeds / density.value
        line += f" ({wording.span(density.low * factor, density.high * factor, wording.percent)})"
    by_rate = settings.spacing.seeding_rate_per_ha is not None and settings.spacing.row_width_cm is not None
    line += f" of the seeds by the {'seeding rate' if by_rate else 'spacing'} given, dropped or not"
    if of_viable == of_viable:
        line += f"; {wording.percent(of_viable)} of the viable ones"
    return [f"{line}."]


def gaps_line(gap: pd.Series, rows: pd.DataFrame, settings: Settings) -> str:
    """Quartiles, nearness to the theoretical spacing, and the spread with and without the error of positions."""
    us = settings.output.units
    q1, median, q3 = gap.quantile([0.25, 0.5, 0.75])
    parts = [
        f"median {wording.spacing(median, us)}, middle half {wording.span(q1, q3, lambda v: wording.spacing(v, us))}"
    ]
    near = rows["near_nominal_pct"].notna()
    if near.any():
        count = (rows["plants"] - 1)[near]
        share = float((rows["near_nominal_pct"][near] * count).sum() / count.sum())
        parts.append(
            f"{wording.percent(share)} within {wording.spacing(settings.spacing.near_nominal_cm, us)} of theoretical"
        )
    return f"Gaps: {'; '.join([*parts, _spread(gap, rows, us)])}."


def _spread(gap: pd.Series, rows: pd.DataFrame, us: str) -> str:
    sd = float(gap.std(ddof=1))
    told = f"SD {wording.spacing(sd, us)} as seen"
    spread = rows[rows["sd_gap_cm"].notna()]
    open_rows = spread[spread["sd_gap_corrected_cm"].isna()]
    if len(open_rows) == 0 and len(spread):
        # what each row had taken out, weighted by its gaps; the pooled formula differs from it by less than 1 in gaps
        weight = spread["plants"] - 1
        added = ((spread["sd_gap_cm"] ** 2 - spread["sd_gap_corrected_cm"] ** 2) * weight).sum() / weight.sum()
        if added < sd**2:
            less = float((sd**2 - added) ** 0.5)
            cv = f" (CV {wording.percent(100 * less / gap.mean())})" if gap.mean() > 0 else ""
            return f"{told}, {wording.spacing(less, us)}{cv} without the error of positions"
    drowned = sum(bool(flags.parse(f) & flags.bit("error_drowns_sd")) for f in open_rows["flags"])
    if drowned:
        return f"{told}; in {plural(drowned, 'row')} the error of positions is as large as that and was not taken out"
    return f"{told}; the error of positions is not known and was not taken out"


def forms_line(classed: np.ndarray) -> str:
    """Which form of the indices is shown, and the other one."""
    from standcam.spacing import metrics

    each = np.bincount(classed, minlength=len(metrics.KINDS))
    other = metrics.interval_shares(each)
    missing = int(metrics.interval_counts(each)[0])
    line = f"Doubles, singles and skips are shown as {metrics.FORM_SPACINGS}. As {metrics.FORM_INTERVALS}: "
    if other.misses_pct != other.misses_pct:
        return f"{line}not defined, for doubles are more than half of the spacings."
    return (
        f"{line}doubles {wording.percent(float(other.multiples_pct))}, "
        f"singles {wording.percent(float(other.quality_of_feed_pct))}, "
        f"skips {wording.percent(float(other.misses_pct))}; "
        f"{f'at least {missing}' if missing else 'no'} {'seed' if missing == 1 else 'seeds'} missing."
    )


def _ends(estimate: Estimate) -> tuple[float, float]:
    return estimate.low, estimate.high


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
