"""Ground of all figures: matplotlib without global state, letters that a phone shows, colours that all can tell.

Figures are made with ``new_chart``, drawn on through their axes, and turned into PNG bytes by ``png``. Nothing
here opens a window or changes matplotlib's settings for others.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, FAINT, GRID = "#222222", "#7a7a7a", "#dddddd"
COLOURS = ("#1b5e7a", "#c4622d", "#5b8c3a", "#8a4f8f", "#b0912a", "#3f3f3f")
"""Told apart by lightness too, so that they survive print in grey and the common kinds of colour blindness."""
_DPI = 150


def new_chart(rows: int = 1, columns: int = 1, width_in: float = 7.0, height_in: float = 4.5) -> tuple[Figure, Any]:
    """A figure and its axes: one Axes, or an array of them as ``Figure.subplots`` gives."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=_DPI, layout="constrained")
    axes = figure.subplots(rows, columns)
    for ax in figure.axes:
        dress(ax)
    return figure, axes


def dress(ax: Any) -> None:
    """The look of all axes: no box, faint grid, letters of 11 points."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=11)
    ax.grid(True, color=GRID, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.xaxis.label.set(size=12, color=INK)
    ax.yaxis.label.set(size=12, color=INK)
    ax.title.set(size=13, color=INK)


def png(figure: Figure) -> bytes:
    """The figure as PNG; equal figures give equal bytes. Letters that the font lacks become boxes."""
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def plain(text: str, most: int | None = None) -> str:
    """A name from outside, fit for a label: no formula between dollar signs, nothing unprintable, not too long."""
    from standcam.report.wording import printable

    text = printable(text)
    if most is not None and len(text) > most:
        text = f"{text[: (most - 1) // 2]}…{text[-(most // 2) :]}"
    return text.replace("$", r"\$")
