"""What the report page is made of, and how much of a list it shows."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from standcam import tables
from standcam.aside import Lines
from standcam.report.run_file import Records
from standcam.settings import Settings

if TYPE_CHECKING:
    from standcam.report.overall_words import AllRows

KEYS = ["photo", "plot", "row"]
LINES = 40
"""Lines of a list or table before it is folded; folded ones end at ten times as many."""


@dataclass(frozen=True)
class Run:
    """What a report is made of: tables and record of one run."""

    rows_lines: Lines
    """ROWS, those left out too; columns of the design (row unit, treatment, range, ...) behind."""
    gaps: Lines
    plants: Lines
    plots: Lines
    problems: pd.DataFrame
    settings: Settings
    record: Mapping[str, Any]
    """run.json."""
    name: str = ""
    """Of the results, for the title."""
    notes: Sequence[str] = ()
    """Beyond those of the record."""
    picture: Callable[[str], bytes | None] = field(default=lambda name: None)
    """Gives a marked photo by its name."""
    raw_rows: pd.DataFrame | None = None
    """ROWS before edits by hand; None where nothing was edited."""
    raw_gaps: Lines | None = None
    """GAPS before them."""
    strip_map: bytes | None = None
    """Map of a drone strip. PNG"""
    chains: pd.DataFrame | None = None
    """CHAINS, where photos were joined into rows."""
    seams: pd.DataFrame | None = None
    """SEAMS, where photos of a plot share boards or plants."""
    emergence: pd.DataFrame | None = None
    """EMERGENCE, where ``standcam visits`` followed the plants over days."""
    emergence_days: pd.DataFrame | None = None
    """DAYS"""
    all_rows: AllRows | None = None
    """What all rows that are kept tell together, where that is known already."""

    @property
    def rows(self) -> pd.DataFrame:
        """ROWS, all in memory: read from disk each time it is asked for."""
        return self.rows_lines.whole()

    @property
    def of_photos(self) -> bool:
        """Whether the rows come from photos, not from a tape or a mosaic."""
        return self.source == "photo"

    @property
    def source(self) -> str:
        """What rows were found in: photo, tape file or strip."""
        return {"tape": "tape file", "strip": "strip"}.get(str(self.record.get("command")), "photo")

    @property
    def strip(self) -> Mapping[str, Any]:
        """What the record tells of the strip as a whole."""
        told = self.record.get("strip")
        return told if isinstance(told, Mapping) else {}

    @property
    def inputs(self) -> Sequence[Mapping[str, Any]]:
        """Records of the inputs, perhaps read from disk one by one."""
        held = self.record.get("inputs", [])
        if isinstance(held, Records) or all(isinstance(i, Mapping) for i in held):
            return held
        return [i for i in held if isinstance(i, Mapping)]

    @property
    def lines(self) -> dict[str, Lines]:
        """The five tables by their names."""
        return {
            "plants": self.plants,
            "gaps": self.gaps,
            "rows": self.rows_lines,
            "plots": self.plots,
            "problems": Lines.of(tables.PROBLEMS, self.problems),
        }


def some(lines: Sequence[Any], most: int) -> dict[str, Any]:
    """Lines to show, and those to fold away."""
    return {"lines": list(lines[:most]), "folded": list(lines[most:])}
