"""Cells of plots.csv and of other ways that tell of a photo: filled ones, and what several lines agree on."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

Cells = dict[str, object]
"""Columns to values: of a line, or of what a way tells of a photo."""


def filled(value: object) -> bool:
    """Whether a cell says anything."""
    return value is not None and not pd.isna(value) and str(value) != ""  # type: ignore[call-overload]


def unlike(lines: Sequence[Cells], name: str) -> list[str]:
    """What the lines say in a column, each text once."""
    return list(dict.fromkeys(str(line[name]) for line in lines if filled(line[name])))


def agreed(lines: Sequence[Cells], names: Sequence[str]) -> Cells:
    """Cells that are filled in some line and the same in all that fill them."""
    out: Cells = {}
    for name in names:
        values = list({str(line[name]): line[name] for line in lines if filled(line.get(name))}.values())
        if len(values) == 1:
            out[name] = values[0]
    return out


def torn(lines: Sequence[Cells], names: Sequence[str]) -> list[str]:
    """Columns in which lines contradict each other."""
    return [name for name in names if len(unlike(lines, name)) > 1]


def in_words(things: Sequence[str], most: int = 5) -> str:
    """The first few of a list, and how many more there are."""
    more = f" and {len(things) - most} more" if len(things) > most else ""
    return ", ".join(things[:most]) + more
