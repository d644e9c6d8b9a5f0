"""A trial to be planted: treatments laid out in strips, drawn by lot within blocks, numbered as the field is driven.

Strips lie side by side, as long as the field. A strip is one planter pass, or a share of it where the planter
is set up by halves or thirds. Blocks are groups of neighbouring strips that hold every treatment once
(randomised complete blocks; Fisher 1935, The Design of Experiments).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam.errors import BadSettings
from standcam.tables import Column, Table

PLOT_MAP = Table(
    "plot-map",
    (
        Column("plot", "int64", "", "block x 100 + place in the block, counted as the field is driven"),
        Column("treatment", "str", "", "treatment"),
        Column("block", "int64", "", "block"),
        Column("strip", "int64", "", "place of the strip in the field, from the first pass on"),
        Column("planter_pass", "int64", "", "planter pass that plants it"),
        Column("direction", "str", "", "out or back: which way the planter runs in it"),
        Column("row_units", "str", "", "row units of the planter that plant it, 1 being the leftmost as it drives"),
        Column("rows", "int64", "", "rows in the strip"),
        Column("count_rows", "str", "", "rows of the strip to count and harvest, counted from either side"),
    ),
)
"""The plot map that a layout writes; `read_plot_map` reads it, and the trial's analysis uses it."""

_TRIES = 5_000


@dataclass(frozen=True)
class LayoutSettings:
    """How a trial is laid out."""

    planter_rows: int = 8
    """Rows the planter plants in one pass."""
    strip_rows: int | None = None
    """Rows in a strip: None for a whole pass, or an even share of it (planter set up by halves or thirds)."""
    row_width_cm: float | None = None
    """Distance of neighbouring rows, for widths in the picture. [cm]"""
    side_rows: int | None = None
    """Rows on either side of a strip that are neither counted nor harvested. None: 1, from six rows on 2. Neighbours
    differ in stand and shade them (common practice, no source)."""
    one_way: bool = False
    """All passes run in one direction, the planter driving back empty: costs time, and keeps slope, wind and wheel
    tracks alike in all plots."""
    spread: bool = False
    """No treatment sits at the same place in all blocks."""
    seed: int = 1
    """Of the lot: the same seed draws the same layout."""

    def __post_init__(self) -> None:
        for name in ("planter_rows", "strip_rows", "row_width_cm"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise BadSettings(f"{name} is {value}.", "It must be greater than zero.")
        if self.strip_rows is not None and self.planter_rows % self.strip_rows:
            raise BadSettings(
                f"Strips of {self.strip_rows} rows do not divide a planter of {self.planter_rows} rows.",
                "Take the planter's rows, or a half or third of them.",
            )
        rows = self.strip_rows or self.planter_rows
        if self.side_rows is not None and not 0 <= 2 * self.side_rows < rows:
            raise BadSettings(
                f"{self.side_rows} side rows on either side leave nothing of a strip of {rows} rows.", "Take fewer."
            )

    @property
    def rows(self) -> int:
        """Rows in a strip."""
        return self.strip_rows or self.planter_rows

    @property
    def guard_rows(self) -> int:
        """Rows on either side of a strip that are left out."""
        if self.side_rows is not None:
            return self.side_rows
        return 2 if self.rows >= 6 else 1 if self.rows >= 3 else 0


@dataclass(frozen=True)
class Layout:
    """A trial drawn by lot."""

    plots: pd.DataFrame
    """PLOT_MAP; the column of the dose behind where there is one."""
    treatments: tuple[str, ...]
    blocks: int
    settings: LayoutSettings
    dose: str
    notes: tuple[str, ...]


def draw_layout(
    treatments: Sequence[str], blocks: int, settings: LayoutSettings | None = None, dose: str = ""
) -> Layout:
    """Lay out a trial by lot.

    Within what chance allows, no treatment is left in one driving direction or on one part of the planter
    only, for the two could not be told apart later; layouts that do so are drawn anew.

    Parameters
    ----------
    treatments : sequence of str
        At least two, each named once.
    blocks : int
        At least one; two are the least that can be analysed.
    settings : LayoutSettings, optional
    dose : str
        Name of a column that holds the treatments as numbers, such as speed_kmh.

    Raises
    ------
    BadSettings
        Fewer than two treatments, one named twice or, with a dose, one that is no number; or no layout keeps
        treatments off one place.
    """
    settings = settings or LayoutSettings()
    names = [str(t).strip() for t in treatments]
    if len(names) < 2 or len(set(names)) < len(names) or "" in names:
        raise BadSettings(f"Treatments are {', '.join(map(repr, names)) or 'none'}.", "Name two or more, each once.")
    if not 1 <= blocks <= 99 or len(names) > 99:
        raise BadSettings(f"{blocks} blocks of {len(names)} treatments.", "Take 1 to 99 of each; 4 blocks serve most.")
    values = None
    if dose:
        try:
            values = [float(n) for n in names]
        except ValueError:
            raise BadSettings(
                f"With --dose {dose} treatments must be numbers, not {', '.join(map(repr, names))}.", "Write 6 8 10."
            ) from None
        if dose in (*PLOT_MAP.names, "photo", "row", "row_unit"):
            raise BadSettings(f"{dose!r} is a column of the plot map already.", "Call the dose speed_kmh, say.")
    rng = np.random.default_rng(settings.seed)
    k, notes = len(names), []
    place = _places(k, blocks, settings)
    order = np.empty((blocks, k), int)
    best: tuple[int, np.ndarray] | None = None
    for _ in range(_TRIES):
        order = np.stack([rng.permutation(k) for _ in range(blocks)])
        faults = _faults(order, place, settings)
        if best is None or faults < best[0]:
            best = (faults, order)
        if faults == 0:
            break
    assert best is not None
    order = best[1]
    if settings.spread and blocks > 1 and _same_place(order):
        raise BadSettings("No layout was found that keeps every treatment off one place.", "Leave out --spread.")
    notes += _told(order, place, settings, names)

    records = []
    for b in range(blocks):
        for j in range(k):
            strip = b * k + j
            count_from, count_to = settings.guard_rows + 1, settings.rows - settings.guard_rows
            records.append(
                {
                    "plot": (b + 1) * 100 + j + 1,
                    "treatment": names[order[b, j]],
                    "block": b + 1,
                    "strip": strip + 1,
                    "planter_pass": int(place["pass"][strip]) + 1,
                    "direction": "out" if place["way"][strip] == 0 else "back",
                    "row_units": place["units"][strip],
                    "rows": settings.rows,
                    "count_rows": _span(count_from, count_to),
                }
            )
    plots = pd.DataFrame(records, columns=PLOT_MAP.names)
    if values is not None:
        plots[dose] = [values[i] for i in order.ravel()]
    return Layout(plots, tuple(names), blocks, settings, dose, tuple(notes))


def _places(k: int, blocks: int, settings: LayoutSettings) -> dict[str, np.ndarray]:
    """Pass, direction, part of the planter and row units of each strip."""
    strip = np.arange(k * blocks)
    share = settings.planter_rows // settings.rows
    passes = strip // share
    way = np.zeros(len(strip), int) if settings.one_way else passes % 2
    # driving back, the planter's left side lies on the field's other side
    part = np.where(way == 0, strip % share, share - 1 - strip % share)
    units = np.array([_span(int(p) * settings.rows + 1, (int(p) + 1) * settings.rows) for p in part], object)
    return {"pass": passes, "way": way, "part": part, "units": units}


def _faults(order: np.ndarray, place: dict[str, np.ndarray], settings: LayoutSettings) -> int:
    """How often a treatment keeps to one place, direction or part of the planter; none is best."""
    flat, blocks = order.ravel(), len(order)
    faults = 0
    if blocks > 1:
        for name in ("way", "part"):
            if len(np.unique(place[name])) > 1:
                faults += sum(len(np.unique(place[name][flat == t])) == 1 for t in range(order.shape[1]))
        if settings.spread:
            faults += 100 * _same_place(order)
    return faults


def _same_place(order: np.ndarray) -> int:
    return int((order == order[0]).all(axis=0).sum())


def _told(order: np.ndarray, place: dict[str, np.ndarray], settings: LayoutSettings, names: list[str]) -> list[str]:
    notes = []
    flat, blocks, k = order.ravel(), *order.shape
    if blocks == 1:
        notes.append("One block: nothing can be tested, for no treatment is repeated. Take 4 or more.")
    elif blocks < 4:
        df = (blocks - 1) * (k - 1)
        notes.append(
            f"{blocks} blocks leave {df} degrees of freedom for error: only large differences will show. 4 to 6 blocks "
            "are usual on farms (common practice, no source)."
        )
    if len(flat) % (settings.planter_rows // settings.rows):
        notes.append("The last pass is not filled: plant its rest with any treatment, and count none of it.")
    if blocks > 1:
        for name, words in (("way", "driven in one direction only"), ("part", "on one part of the planter only")):
            if len(np.unique(place[name])) > 1:
                kept = [n for t, n in enumerate(names) if len(np.unique(place[name][flat == t])) == 1]
                if kept:
                    notes.append(f"{', '.join(kept)} would be {words}: add a block, or drive one way (--one-way).")
    return notes


def _span(first: int, last: int) -> str:
    return f"{first}-{last}" if last > first else f"{first}"
