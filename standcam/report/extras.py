"""What a results folder holds beside its CSV files: report page, spreadsheet, Parquet file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from standcam import trust
from standcam.errors import BadSettings
from standcam.report import screen
from standcam.report.html_run import Run
from standcam.report.results import PARQUET, REPORT, SPREADSHEET

KINDS = ("xlsx", "parquet")


def parse_kinds(text: str | None, usual: Sequence[str] = ()) -> tuple[str, ...]:
    """Kinds of table files from ``"xlsx,parquet"``; ``none`` for none of them, None for the usual ones.

    Raises
    ------
    BadSettings
        A kind is not known.
    ParquetMissing
        Parquet is asked for and its library is not installed.
    """
    if text is None:
        return tuple(usual)
    kinds = tuple(dict.fromkeys(part.strip().lower() for part in text.split(",") if part.strip()))
    if kinds == ("none",):
        return ()
    wrong = [kind for kind in kinds if kind not in KINDS]
    if wrong or not kinds:
        raise BadSettings(f"--tables is {text!r}.", "Write xlsx, parquet, both with a comma between, or none.")
    if "parquet" in kinds:
        from standcam.report.long_table import require_parquet

        require_parquet()
    return kinds


def further_files(run: Run, report: bool, kinds: Sequence[str], folder: Path) -> tuple[list[str], list[str]]:
    """Write files into a folder; gives their names, and in sentences what could not be made.

    A fault of ours in one of them costs only that one: numbers are worth more than their pages.

    Parameters
    ----------
    run : Run
    report : bool
        Whether the page is wanted.
    kinds : sequence of str
        Of :data:`KINDS`.
    folder : path
        Must be there.

    Raises
    ------
    OSError
        Disk full, or no rights.
    """
    makers: dict[str, Callable[[Path], None]] = {}
    if report:
        makers[REPORT] = lambda path: _page(run, path)
    if "xlsx" in kinds:
        makers[SPREADSHEET] = lambda path: _workbook(run, path)
    if "parquet" in kinds:
        makers[PARQUET] = lambda path: _parquet(run, path)
    names, notes = [], []
    for name, make in makers.items():
        try:
            make(folder / name)
            names.append(name)
        except OSError:
            raise
        except Exception as error:
            (folder / name).unlink(missing_ok=True)
            first = (str(error).strip().splitlines() or [""])[0]
            notes.append(f"{name} could not be made: {type(error).__name__}: {first}".rstrip(": ") + ".")
    return names, notes


def _page(run: Run, path: Path) -> None:
    from standcam.report.html_report import report_html

    # names that are no valid Unicode (possible on Linux) are written as \\udcXX
    with open(path, "w", encoding="utf-8", errors="backslashreplace", newline="") as file:
        file.writelines(report_html(run))


def _workbook(run: Run, path: Path) -> None:
    from standcam.report.spreadsheet import workbook

    notes = [str(note) for note in [*run.record.get("notes", []), *run.notes]]
    workbook(path, run.lines, summary_lines(run), notes)


def _parquet(run: Run, path: Path) -> None:
    from standcam.report.long_table import long_parquet

    long_parquet(path, run.lines)


def summary_lines(run: Run) -> list[tuple[str, Any, str]]:
    """All rows together as lines of what, value and unit: the numbers of the screen, unrounded."""
    from standcam.estimate import Estimate
    from standcam.report.overall_words import AllRows
    from standcam.spacing.spacings import Spacings

    told = run.all_rows
    if told is None:
        every = run.rows
        if screen.not_sought(every):
            bare = screen.bare_line(every, Spacings.of(every, run.gaps), run.settings.output.units)
            return [("rows", len(every), ""), (bare, None, ""), (screen.CAUTION_OF[run.source], None, "")]
        told = AllRows.of(trust.rows_kept(every), run.gaps, run.settings, run.source)
    lines: list[tuple[str, Any, str]] = [
        ("rows", told.rows, ""),
        ("rows left out", len(run.rows_lines) - told.rows, ""),
        ("plants", told.plants, ""),
        ("row length", told.length_cm / 100, "m"),
        ("inputs not used", len(run.problems), ""),
    ]
    if told.overall is not None:
        pooled = told.overall
        e = pooled.plants_per_ha
        named: Mapping[str, tuple[Estimate, str]] = {
            "plants per ha": (Estimate(told.per_ha, e.low, e.high, e.level), "1/ha"),
            "mean gap": (pooled.mean_gap_cm, "cm"),
            "SD of gaps": (pooled.sd_gap_cm, "cm"),
            "CV of gaps": (pooled.cv_pct, "%"),
            "skips": (pooled.misses_pct, "% of spacings"),
            "doubles": (pooled.multiples_pct, "% of spacings"),
            "singles": (Estimate(told.singles_pct), "% of spacings"),
        }
        for name, (estimate, unit) in named.items():
            lines.append((name, estimate.value, unit))
            if estimate.low == estimate.low:
                level = f"{100 * estimate.level:g} %"
                lines += [(f"{name}, from ({level})", estimate.low, unit), (f"{name}, to", estimate.high, unit)]
    lines.append(("", None, ""))
    lines.append((screen.CAUTION_OF[run.source], None, ""))
    return lines
