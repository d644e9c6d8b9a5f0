"""The report page: one HTML file that needs nothing else, to be read on a phone and printed.

Its numbers are those of the screen and of the tables, in the same words and from the same functions. All text that
comes from files is escaped by the template; a policy in the page forbids scripts and anything from outside. What it
says stands in ``html_answer``, ``html_planter``, ``html_rows``, ``html_more``, ``html_photos`` and ``html_method``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from standcam import tables, trust
from standcam.report import html_answer, html_method, html_planter, html_rows, screen, strips, wording
from standcam.report.html_run import LINES, Run, some

_UNITS = r"%|(?:cm|m|in|ft|ha|acre)\b"


def report_html(run: Run) -> Iterator[str]:
    """The page, in parts.

    Parameters
    ----------
    run : Run
    """
    parts: Iterator[str] = _template().generate(**_content(run))
    return parts


@cache
def _template() -> Any:
    from jinja2 import Environment, StrictUndefined

    text = Path(__file__).with_name("report.html.j2").read_text(encoding="utf-8")
    around = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    around.filters["plain"] = _plain
    return around.from_string(text)


def _plain(text: object) -> str:
    """Text fit to be shown, numbers not torn from their units or thousands at the end of a line."""
    return re.sub(rf"(?<=\d) (?=\d{{3}}\b|{_UNITS})", "\N{NO-BREAK SPACE}", wording.printable(str(text)))


def _content(run: Run) -> dict[str, Any]:
    from markupsafe import Markup

    from standcam.report.html_more import chains_part, visits_part
    from standcam.report.html_photos import photo_list
    from standcam.report.overall_words import AllRows
    from standcam.spacing.spacings import Spacings

    us = run.settings.output.units
    rows = run.rows.reset_index(drop=True)
    coarse = screen.not_sought(rows)
    kept = trust.rows_kept(rows)
    if coarse:
        kept = kept[kept["status"] != tables.NO_STEMS]
    kept = kept.reset_index(drop=True)
    known = None if coarse else run.all_rows
    told = known or AllRows.of(kept, run.gaps, run.settings, run.source)
    left_out = trust.left_out_notes(rows, run.settings.statistics.min_trust)
    of_rows: dict[str, Any] = {
        "head": html_answer.head(run, rows),
        "headline": html_answer.headline(told.overall, kept, run),
        "cards": html_answer.cards(told, kept, rows, run.settings),
        "totals": screen.bare_line(rows, Spacings.of(rows, run.gaps), us)
        if coarse
        else told.totals
        if len(kept)
        else "",
        "left_out": left_out,
        "words": [] if coarse else html_answer.words(run, kept, told),
        "photos": photo_list(run.inputs, rows, run.picture, us) if run.of_photos else None,
        "strips": html_rows.strips_part(rows, run.gaps, run.plants, us),
        "table": html_rows.rows_table(rows, us, run.source),
        "plots": html_rows.plots_part(run, rows, us),
    }
    del rows
    diagnosis, fit_notes, fitted = html_planter.diagnosis(kept, told.gaps, run)
    del kept  # before the charts, whose library is large
    return of_rows | {
        "style": Markup(strips.STYLE),
        "name": run.name,
        "coarse": coarse,
        "cautions": html_answer.cautions(run),
        "units": html_planter.units_part(diagnosis, us),
        "unit_note": html_planter.unit_note(diagnosis, run),
        "map": html_rows.map_uri(run),
        "visits": visits_part(run),
        "chains": chains_part(run),
        "spacing": html_planter.spacing_part(diagnosis, fitted, us),
        "fit_notes": fit_notes,
        "problems": some(
            [(str(r.path), str(r.reason), str(r.remedy)) for r in run.problems.itertuples()][: 10 * LINES], LINES
        ),
        "n_problems": len(run.problems),
        "unused": screen.unused(len(run.problems), run.source),
        "notes": html_method.notes_part(run, diagnosis, left_out),
        "edited": html_method.edited(run),
        "method": html_method.method_part(run),
        "sources": html_method.sources(run, diagnosis),
    }
