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


def new_chart(
    rows: int = 1, columns: int = 1, width_in: float = 7.0, height_in: float = 4.5, dpi: int = _DPI
) -> tuple[Figure, Any]:
    """A figure and its axes: one Axes, or an array of them as ``Figure.subplots`` gives."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=dpi, layout="constrained")
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


def png(figure: Figure, level: int = 6) -> bytes:
    """The figure as PNG; equal figures give equal bytes. Letters that the font lacks become boxes.

    Parameters
    ----------
    figure : Figure
    level : int
        How hard it is pressed, 1 to 9: pictures of ground take a quarter of the time at 2, and a tenth more room.
    """
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        figure.savefig(out, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": level})
    return out.getvalue()


def plain(text: str, most: int | None = None) -> str:
    """A name from outside, fit for a label: no formula between dollar signs, nothing unprintable, not too long."""
    from standcam.report.wording import printable

    text = printable(text)
    if most is not None and len(text) > most:
        text = f"{text[: (most - 1) // 2]}…{text[-(most // 2) :]}"
    return text.replace("$", r"\$")


def svg(figure: Figure, prefix: str, label: str) -> str:
    """The figure as SVG to stand inside a page, as wide as its place; equal figures give equal text.

    Letters stay text, in the page's own font. Names of parts get the prefix, for a page may hold several figures, and
    nothing in it points outside.

    Parameters
    ----------
    figure : Figure
        From :func:`new_chart`.
    prefix : str
        Other than that of the other figures of the page.
    label : str
        What the figure shows, for those who hear it read.
    """
    import re
    from html import escape

    from matplotlib import rc_context

    out = io.StringIO()
    with warnings.catch_warnings(), rc_context({"svg.fonttype": "none", "svg.hashsalt": prefix}):
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    head, rest = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None
    # only inside tags: a label may read url(#a) or id="a"
    rest = re.sub(r"<!--.*?-->\s*", "", rest, flags=re.DOTALL)
    rest = re.sub(r"<[^>]+>", lambda tag: _own_names(tag.group(), prefix), rest)
    return f'<svg {box.group()} role="img" aria-label="{escape(label)}">{rest}'


def _own_names(tag: str, prefix: str) -> str:
    import re

    tag = re.sub(r'\bid="', f'id="{prefix}-', tag)
    tag = re.sub(r"url\(#", f"url(#{prefix}-", tag)
    tag = re.sub(r'xlink:href="#', f'href="#{prefix}-', tag)
    return re.sub(r"'DejaVu Sans'[^;\"]*", "sans-serif", tag)
