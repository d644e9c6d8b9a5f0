"""What the report page rests on: notes, method, settings and sources."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from standcam import trust
from standcam.report import overall_words, screen
from standcam.report.html_run import LINES, Run
from standcam.settings import Settings
from standcam.spacing.spacings import Spacings

if TYPE_CHECKING:
    from standcam.planter.diagnosis import Diagnosis


def notes_part(run: Run, d: Diagnosis | None, left_out: Collection[str]) -> dict[str, Any]:
    """Notes of the run first, but those on rows left out; those of single photos folded behind."""
    told = list(dict.fromkeys([*map(str, run.record.get("notes", [])), *run.notes]))
    from_planter = [] if d is None else [n for n in d.notes if not n.startswith("Row units are not known")]
    told = [n for n in dict.fromkeys([*told, *from_planter]) if n not in left_out]
    where: dict[str, tuple[list[str], int]] = {}
    for record in run.inputs:
        for note in map(str, record.get("notes") or []):
            if note in where or len(where) < 5 * LINES:
                photos, n = where.get(note, ([], 0))
                where[note] = ([*photos, str(record.get("photo", ""))][:5], n + 1)
    single = [
        (note, ", ".join(photos) + (f" and {n - len(photos)} more" if n > len(photos) else ""))
        for note, (photos, n) in where.items()
    ]
    return {"run": told[: 2 * LINES], "photos": single}


def edited(run: Run) -> list[str]:
    """All rows together as they were before edits by hand."""
    if run.raw_rows is None or run.raw_gaps is None or not len(run.raw_rows):
        return []
    kept = run.raw_rows[trust.kept(run.raw_rows)]
    return [overall_words.totals(kept, Spacings.of(kept, run.raw_gaps), run.settings.output.units, run.source)]


def method_part(run: Run) -> dict[str, Any]:
    """How it was counted: in words, facts of the run, and settings that were changed."""
    record, s = run.record, run.settings
    if run.of_photos:
        how = [
            "Each photo was given a ground scale, its plants were found and tied to rows, and the places of the stems "
            "along each row were read in centimetres. Weeds are not counted.",
            f"Stems were found by the {'network' if s.stems.locator == 'learned' else 'shape of plants'}.",
        ]
    elif run.source == "strip":
        how = [
            "Plants were found by a network in the pictures from the air, rows by their direction and rhythm, and the "
            "places of the stems along each row were read in centimetres. Weeds are not counted."
            if not screen.not_sought(run.rows)
            else "Rows were found by their direction and rhythm in the pictures from the air; no plants were placed.",
        ]
    else:
        how = ["Places of plants along the rows were read from tape files."]
    how += [
        "Row length is the stretch that was measured, not the span of the plants; plants per area are plants over row "
        "length times row width. The open ends of a row are not counted as gaps.",
        "A spacing up to half of the theoretical one is a double, above one and a half a skip, else a single.",
        f"Ranges hold at {100 * s.statistics.level:g} %, with plots or rows as the units of sampling where there are "
        "several.",
    ]
    changed = _changed(s.to_dict(), Settings().to_dict())
    libraries = record.get("libraries") or {}
    facts = [
        ("command", str(record.get("command", ""))),
        ("version", f"standcam {record.get('standcam', '')}, Python {record.get('python', '')}"),
        ("libraries", ", ".join(f"{name} {version}" for name, version in libraries.items())),
        ("run", " to ".join(str(record.get(k, ""))[:19].replace("T", " ") for k in ("started", "finished")) + " UTC"),
        ("settings digest", str(record.get("settings_digest", ""))),
    ]
    return {"how": how, "facts": [f for f in facts if f[1].strip()], "settings": changed}


def _changed(own: Mapping[str, Any], usual: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [
        (f"{stage}.{name}", str(value))
        for stage, values in own.items()
        for name, value in values.items()
        if value != usual.get(stage, {}).get(name)
    ]


def sources(run: Run, d: Diagnosis | None) -> list[str]:
    """Where the methods come from."""
    listed = [
        "Classes and indices of spacing (doubles, singles, skips, precision): ISO 7256-1, Sowing equipment, test "
        "methods, single seed drills.",
        "Population of rows of different length, and its range: ratio estimator, Cochran 1977, Sampling Techniques, "
        "chapter 6 (from memory).",
        "Ranges of spacing: bootstrap of whole rows or plots; of one or two rows by closed forms over their gaps, "
        "shares by Wilson's interval (Newcombe 1998, Stat. Med. 17:857-872), counts of one row as a renewal process "
        "(Cox 1962, Renewal Theory; from memory).",
    ]
    if d is not None:
        listed.append(
            "Places without a plant, doubles and placement: maximum likelihood over all ways in which plants can "
            "belong to seed places; a model of this program, tested on planters simulated with known faults."
        )
    if run.of_photos:
        listed.append(
            "Trust: grades by measured flags. How right photos are, and where not, stands in the README of the program."
        )
    elif run.source == "strip":
        listed.append("How right strips are, by pixel size, and where not, stands in the README of the program.")
    return listed
