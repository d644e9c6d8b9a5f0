"""Pages of vector drawing in millimetres, and their writing as PDF and SVG at true size.

Page frame: millimetres from the top left corner of the sheet, x to the right, y down. A page is a list of
things to draw, so that the same page goes to either format and a test can read where everything lies.
"""

from __future__ import annotations

import html
import io
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

MM_PER_INCH = 25.4
POINTS_PER_MM = 72 / MM_PER_INCH
"""PDF user space is 1/72 inch (ISO 32000-1:2008, 8.3.2.3)."""

Loop = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Area:
    """Black area inside one or more closed loops; a loop within a loop is a hole."""

    loops: tuple[Loop, ...]


@dataclass(frozen=True)
class Stroke:
    """Straight black line with square-cut ends."""

    start: tuple[float, float]
    end: tuple[float, float]
    width_mm: float = 0.2
    dash_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class Text:
    """One line of black text standing on the baseline at ``place``."""

    place: tuple[float, float]
    text: str
    size_mm: float = 3.5
    """Font size (em), not height of the capitals. [mm]"""
    anchor: str = "start"
    """start, middle or end: which part of the line stands at ``place``."""
    bold: bool = False
    turned: bool = False
    """Read from bottom to top."""


@dataclass
class Page:
    """One sheet of paper and what is drawn on it."""

    width_mm: float
    height_mm: float
    items: list[Area | Stroke | Text] = field(default_factory=list)

    def add(self, *items: Area | Stroke | Text) -> None:
        """Draw more."""
        self.items.extend(items)


def outline_loops(black: np.ndarray) -> tuple[Loop, ...]:
    """Outlines of the true cells of a grid, in cell units, y down.

    Neighbouring cells become one area, for a renderer leaves hairlines between rectangles that only touch.
    Outer loops run clockwise as seen on the page and holes the other way. (n, m) bool -> loops
    """
    rows, columns = black.shape
    leaving: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for y, x in zip(*np.nonzero(black), strict=True):
        x, y = int(x), int(y)
        if y == 0 or not black[y - 1, x]:
            leaving.setdefault((x, y), []).append((x + 1, y))
        if x == columns - 1 or not black[y, x + 1]:
            leaving.setdefault((x + 1, y), []).append((x + 1, y + 1))
        if y == rows - 1 or not black[y + 1, x]:
            leaving.setdefault((x + 1, y + 1), []).append((x, y + 1))
        if x == 0 or not black[y, x - 1]:
            leaving.setdefault((x, y + 1), []).append((x, y))
    loops = []
    while leaving:
        start = min(leaving)
        loop, here = [start], start
        came = (0, 0)
        while True:
            options = leaving[here]
            # where two cells touch by a corner only, turning right stays on the same cell
            right = (here[0] - came[1], here[1] + came[0])
            there = right if right in options else options[0]
            options.remove(there)
            if not options:
                del leaving[here]
            went = (there[0] - here[0], there[1] - here[1])
            if went == came:
                loop[-1] = there
            else:
                loop.append(there)
            here, came = there, went
            if here == start:
                break
        loop.pop()  # the start again
        loops.append(tuple((float(x), float(y)) for x, y in loop))
    return tuple(loops)


def text_width_mm(text: str, size_mm: float, bold: bool = False) -> float:
    """Width of a line of text in the font used. [mm]"""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return stringWidth(text, _font(bold), size_mm)


def wrap(text: str, width_mm: float, size_mm: float) -> list[str]:
    """Break a text into lines no wider than ``width_mm``, between words."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width_mm(longer, size_mm) > width_mm:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def pdf(pages: Sequence[Page], title: str) -> bytes:
    """The pages as a PDF at true size; the same pages always give the same bytes.

    The file asks viewers not to scale when printing (``PrintScaling`` none, ISO 32000-1:2008, 12.2). Not
    every print dialogue obeys.
    """
    from reportlab.pdfgen.canvas import Canvas

    target = io.BytesIO()
    canvas = Canvas(target, invariant=1, pageCompression=0)
    canvas.setTitle(title)
    canvas.setAuthor("standcam")
    canvas.setSubject("Print at 100 % (actual size)")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.width_mm * POINTS_PER_MM, page.height_mm * POINTS_PER_MM))
        canvas.transform(POINTS_PER_MM, 0, 0, -POINTS_PER_MM, 0, page.height_mm * POINTS_PER_MM)
        for item in page.items:
            _draw(canvas, item)
        canvas.showPage()
    canvas.save()
    return target.getvalue()


def _draw(canvas, item: Area | Stroke | Text) -> None:
    if isinstance(item, Area):
        path = canvas.beginPath()
        for loop in item.loops:
            path.moveTo(*loop[0])
            for point in loop[1:]:
                path.lineTo(*point)
            path.close()
        canvas.drawPath(path, stroke=0, fill=1, fillMode=0)
    elif isinstance(item, Stroke):
        canvas.setLineWidth(item.width_mm)
        canvas.setDash(*([list(item.dash_mm)] if item.dash_mm else []))
        canvas.line(*item.start, *item.end)
    else:
        canvas.saveState()
        canvas.translate(*item.place)
        canvas.scale(1, -1)
        if item.turned:
            canvas.rotate(90)
        canvas.setFont(_font(item.bold), item.size_mm)
        draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
        draw[item.anchor](0, 0, item.text)
        canvas.restoreState()


def svg(page: Page) -> str:
    """One page as SVG 1.1, one user unit to the millimetre."""
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.width_mm:g}mm" height="{page.height_mm:g}mm" '
        f'viewBox="0 0 {page.width_mm:g} {page.height_mm:g}">',
        f'<rect width="{page.width_mm:g}" height="{page.height_mm:g}" fill="white"/>',
    ]
    for item in page.items:
        if isinstance(item, Area):
            loops = " ".join("M" + " L".join(f"{x:.6g},{y:.6g}" for x, y in loop) + " Z" for loop in item.loops)
            out.append(f'<path fill-rule="evenodd" d="{loops}"/>')
        elif isinstance(item, Stroke):
            (x1, y1), (x2, y2) = item.start, item.end
            dash = f' stroke-dasharray="{item.dash_mm[0]:g} {item.dash_mm[1]:g}"' if item.dash_mm else ""
            out.append(
                f'<line x1="{x1:.6g}" y1="{y1:.6g}" x2="{x2:.6g}" y2="{y2:.6g}" stroke="black" '
                f'stroke-width="{item.width_mm:g}"{dash}/>'
            )
        else:
            x, y = item.place
            turned = f' transform="rotate(-90 {x:.6g} {y:.6g})"' if item.turned else ""
            weight = ' font-weight="bold"' if item.bold else ""
            out.append(
                f'<text x="{x:.6g}" y="{y:.6g}" font-family="Helvetica, Arial, sans-serif" '
                f'font-size="{item.size_mm:g}" text-anchor="{item.anchor}"{weight}{turned}>'
                f"{html.escape(item.text, quote=False)}</text>"
            )
    return "\n".join([*out, "</svg>"]) + "\n"


def _font(bold: bool) -> str:
    # standard fonts that every PDF viewer has; only Latin-1 text may be written in them
    return "Helvetica-Bold" if bold else "Helvetica"
