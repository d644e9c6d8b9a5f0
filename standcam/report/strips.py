"""Rows of plants as strips: dots on a line at true scale, doubles and gaps marked, drawn as SVG.

Doubles and skips are told by form and word, not by colour alone: a D over a bracket, a thick bar with the number of
missing plants. A row longer than the page goes on in the next line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from standcam import units
from standcam.report import wording
from standcam.report.chart import COLOURS, FAINT, INK

WIDTH = 700.0
"""Width of a line in the drawing's own units; 350 points of a phone make it half as wide."""
_MARGIN, _LINE = 10.0, 58.0
_LEAST_APART = 17.0
"""Plants at their theoretical spacing are drawn no closer than this, or the line is broken."""
_DOT = 14.0
MOST_LINES = 12
"""Lines of one row; the rest is told of in words."""


@dataclass(frozen=True)
class Scale:
    """One scale for all strips of a page, so that rows can be compared by eye."""

    line_cm: float
    """Row on one line. [cm]"""

    @property
    def per_cm(self) -> float:
        """Units of drawing a centimetre."""
        return (WIDTH - 2 * _MARGIN) / self.line_cm


def common_scale(row_length_cm: Sequence[float], spacing_cm: float) -> Scale:
    """A scale that holds the longest row in one line, unless plants would then run together.

    Parameters
    ----------
    row_length_cm : sequence of float
        Lengths; unknown ones are passed over. [cm]
    spacing_cm : float
        Theoretical spacing; NaN where unknown. [cm]
    """
    known = [v for v in row_length_cm if math.isfinite(v) and v > 0]
    longest = max(known, default=100.0)
    spacing = spacing_cm if math.isfinite(spacing_cm) and spacing_cm > 0 else 10.0
    most = (WIDTH - 2 * _MARGIN) / _LEAST_APART * spacing
    return Scale(max(min(longest, most), spacing))


def strip(position_cm: np.ndarray, gaps: Sequence[Any], row_length_cm: float, scale: Scale, label: str) -> str:
    """One row as SVG.

    Parameters
    ----------
    position_cm : array (n,)
        Plants along the row. [cm]
    gaps : sequence of records
        Lines of GAPS of the row.
    row_length_cm : float
        Length of the measured stretch. [cm]
    scale : Scale
    label : str
        What it shows, in words.
    """
    from html import escape

    length = row_length_cm if math.isfinite(row_length_cm) else float(np.nanmax(position_cm, initial=0.0))
    lines = max(1, math.ceil(length / scale.line_cm - 1e-6))
    shown = min(lines, MOST_LINES)
    parts: list[str] = []
    for k in range(shown):
        start, end = k * scale.line_cm, min((k + 1) * scale.line_cm, length)
        parts.append(_line(_x(end - start, scale), k))
        for gap in gaps:
            parts += _mark(gap, start, start + scale.line_cm, k, scale)
        # dots are strokes of no length with round ends: short, and alike in all browsers and in print
        here = position_cm[(position_cm >= start - 1e-6) & (position_cm < start + scale.line_cm)]
        if k == shown - 1 == lines - 1:
            here = position_cm[position_cm >= start - 1e-6]
        dots = "".join(f"M{_x(p - start, scale):.1f} {_y(k):.0f}h.01" for p in here.tolist())
        if dots:
            parts.append(f'<path class="dot" d="{dots}"/>')
    height = shown * _LINE
    more = f'<text x="{WIDTH - _MARGIN:.0f}" y="{height - 4:.0f}" class="more">goes on</text>' if lines > shown else ""
    return (
        f'<svg class="strip" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escape(label)}">'
        f"{''.join(parts)}{more}</svg>"
    )


def ruler(scale: Scale, system: str) -> str:
    """A ruler for the strips below it: half metres, or feet."""
    step, unit, name = (50.0, 100.0, "m") if system == "si" else (units.CM_PER_FOOT, units.CM_PER_FOOT, "ft")
    while scale.line_cm / step > 8:
        step *= 2
    marks = np.arange(0, scale.line_cm + 1e-6, step)
    parts = [_line(_x(scale.line_cm, scale), 0)]
    for cm in marks.tolist():
        x = _x(cm, scale)
        parts.append(f'<path d="M{x:.1f} {_y(0) - 7:.0f}v14" class="tick"/>')
        anchor = "start" if cm == 0 else "end" if x > WIDTH - 50 else "middle"
        text = f"{cm / unit:g}" + (f" {name}" if cm == 0 else "")
        parts.append(f'<text x="{x:.1f}" y="{_y(0) - 14:.0f}" text-anchor="{anchor}">{text}</text>')
    return f'<svg class="strip ruler" viewBox="0 0 {WIDTH:.0f} {_LINE:.0f}" aria-hidden="true">{"".join(parts)}</svg>'


STYLE = (
    f".strip{{display:block;width:100%;height:auto}}.strip .dot{{stroke:{COLOURS[2]};stroke-width:{_DOT};"
    f"stroke-linecap:round;fill:none}}.strip .row{{stroke:{FAINT};stroke-width:2;fill:none}}"
    f".strip .tick{{stroke:{INK};stroke-width:2}}.strip text{{font:bold 25px sans-serif;fill:{INK}}}"
    f".strip .skip{{stroke:{COLOURS[1]};stroke-width:8;fill:none}}.strip .open{{stroke:#fff;stroke-width:3;"
    f"stroke-dasharray:6 6;fill:none}}.strip .double{{stroke:{COLOURS[3]};stroke-width:4;fill:none}}"
    f".strip .more{{text-anchor:end;font-weight:normal}}"
)
"""Style sheet of the strips."""


def _x(cm: float, scale: Scale) -> float:
    return _MARGIN + cm * scale.per_cm


def _y(line: int) -> float:
    return line * _LINE + 42


def _line(end: float, k: int) -> str:
    return f'<path class="row" d="M{_MARGIN:.0f} {_y(k):.0f}H{end:.1f}"/>'


def _mark(gap: Any, start: float, stop: float, k: int, scale: Scale) -> list[str]:
    """Mark of one gap on the line from ``start`` to ``stop``. [cm]"""
    if gap.kind in ("single", "") or not math.isfinite(gap.gap_cm):
        return []
    first, last = max(gap.from_cm, start), min(gap.from_cm + gap.gap_cm, stop)
    if last <= first and not (gap.kind == "double" and start <= gap.from_cm < stop):
        return []
    a, b, y = _x(first - start, scale), _x(last - start, scale), _y(k)
    if gap.kind == "open":
        return [f'<path class="open" d="M{a:.1f} {y:.0f}H{b:.1f}"/>']
    middle = (a + b) / 2
    if gap.kind == "double":
        return [
            f'<path class="double" d="M{a - 6:.1f} {y - 9:.0f}v-7H{b + 6:.1f}v7"/>',
            f'<text x="{middle:.1f}" y="{y - 20:.0f}" text-anchor="middle">D</text>',
        ]
    # the word stands where the longer part of the gap is
    whole = gap.from_cm + gap.gap_cm / 2
    named = start <= whole < stop or last - first >= gap.gap_cm / 2
    text = f'<text x="{middle:.1f}" y="{y - 13:.0f}" text-anchor="middle">{wording.missing_plants(gap.kind)}</text>'
    inner = min(8.0, (b - a) / 4)
    return [f'<path class="skip" d="M{a + inner:.1f} {y:.0f}H{b - inner:.1f}"/>', *([text] if named else [])]
