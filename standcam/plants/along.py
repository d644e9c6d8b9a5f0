"""Straight pictures drawn along rows: all of them is looked at, and little else.

A row that runs aslant, or bends, would need many rectangles with wide margins; drawn along its line it needs one long
strip. Places are rounded to a 32nd of a pixel of the raster's own grid, so that a strip is the same to the last digit
from whichever tile it is drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import cv2
import numpy as np

from standcam.plants.guide import Lines
from standcam.plants.networks import ALONG_CELL, GRANULE_CELLS

GRANULE_PX = GRANULE_CELLS * ALONG_CELL.across
"""Strips are a multiple of this along. [px]"""
GRANULE_ACROSS_PX = GRANULE_CELLS * ALONG_CELL.down
"""And of this across. [px]"""
MARGIN_PX = 24
"""Looked at before and behind a stretch, so that the network sees whole plants. [px]"""
BARE_CM, BEYOND_CM = 100.0, 15.0
"""Stretches of a row longer than this without any green are not looked at, but for so much at either end: pale
seedlings may show none. [cm]"""
_PLACES = 32
_GREY = 128
_MOST_WIDE_PX = 8192
"""Drawn at once: OpenCV draws pictures of 32,767 px at most. [px]"""


@dataclass(frozen=True)
class Strip:
    """A straight picture along a line: x along, y across; its pixels are ``cm`` wide."""

    lines: Lines
    v: float
    """Its line. [cm]"""
    begin_cm: float
    """Where its first pixel begins, along. [cm]"""
    cm: float
    width_px: int
    height_px: int

    @property
    def u_cm(self) -> np.ndarray:
        """Along, of each column. [cm]"""
        return self.begin_cm + (np.arange(self.width_px) + 0.5) * self.cm


def drawn(
    strips: Sequence[Strip], rgb: np.ndarray, middle_px: np.ndarray, corner_px: np.ndarray, cm_per_px: float
) -> Iterator[np.ndarray]:
    """Pictures of strips along the lines of one square, alike in height and pixel; several are drawn at once.

    Parameters
    ----------
    strips : sequence of Strip
    rgb : (h, w, 3) uint8
    middle_px : (2,) array
        Middle of the square, in whole or half pixels of the raster. [px]
    corner_px : (2,) array
        First pixel of ``rgb`` in the raster, whole. [px]
    cm_per_px : float

    Yields
    ------
    (height, width, 3) uint8
        Grey where ``rgb`` does not reach.
    """
    begins = np.cumsum([strip.width_px for strip in strips]) // _MOST_WIDE_PX
    for _, group in groupby(zip(begins.tolist(), strips, strict=True), key=lambda pair: pair[0]):
        some = [strip for _, strip in group]
        lines, cm, high = some[0].lines, some[0].cm, some[0].height_px
        v = np.repeat([strip.v for strip in some], [strip.width_px for strip in some])
        on_line = lines.points(np.concatenate([strip.u_cm for strip in some]), v) / cm_per_px + middle_px
        aside = (np.arange(high) - (high - 1) / 2)[:, None] * (cm / cm_per_px * lines.across)
        # whole 32nds on the raster's grid: the same pixels, whatever the corner
        x, y = ((np.round(on_line * _PLACES) / _PLACES - corner_px).astype(np.float32)).T
        dx, dy = ((np.round(aside * _PLACES) / _PLACES).astype(np.float32)).T
        picture = cv2.remap(
            rgb,
            x[None] + dx[:, None],
            y[None] + dy[:, None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(_GREY, _GREY, _GREY),
        )
        end = 0
        for strip in some:
            begin, end = end, end + strip.width_px
            yield picture[:, begin:end]


def places_on_ground(strips: Sequence[Strip], xy_px: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Pixels of strips of one square to cm about its middle; ``of``: which strip each is of. (n, 2), (n,) -> (n, 2)"""
    lines, cm = strips[0].lines, strips[0].cm
    begin, v = np.array([[strip.begin_cm, strip.v - (strip.height_px - 1) / 2 * cm] for strip in strips]).T
    return lines.points(begin[of] + (xy_px[:, 0] + 0.5) * cm, v[of] + xy_px[:, 1] * cm)


def strips_along(
    lines: Lines,
    points: np.ndarray,
    box_cm: tuple[np.ndarray, np.ndarray],
    half_px: int,
    cm: float,
    beside_cm: float,
) -> Iterator[Strip]:
    """Strips along the lines of a square, where there is green.

    Parameters
    ----------
    lines : Lines
    points : (n, 2) array
        Cells with a hint of green. [cm]
    box_cm : (2,) array, (2,) array
        Lowest and highest x, y of the square. [cm]
    half_px : int
        Half height of the strips. [px]
    cm : float
        Their pixel. [cm]
    beside_cm : float
        A line that runs so near beside the square is looked along too. [cm]
    """
    u, v = lines.places(points)
    low, high = box_cm
    longest = float(np.hypot(*np.maximum(np.abs(low), np.abs(high)))) + beside_cm
    step = np.arange(-longest, longest, 1.0)
    across = lines.v[:, None] + lines.bend * step**2  # of all lines, (k, steps)
    within = np.ones(across.shape, bool)
    for k in range(2):
        at = step * lines.along[k] + across * lines.across[k]
        within &= (at >= low[k] - beside_cm) & (at <= high[k] + beside_cm)
    for line, inside in zip(lines.v.tolist(), within, strict=True):
        if not inside.any():
            continue
        first, last = step[inside.argmax()], step[len(step) - 1 - inside[::-1].argmax()]
        near = u[np.abs(v - line) <= half_px * cm]
        near = near[(near > first - BARE_CM) & (near < last + BARE_CM)]
        for begin, end in _stretches(np.sort(near), first, last):
            width = int(np.ceil((end - begin) / cm)) + 2 * MARGIN_PX
            width = -(-width // GRANULE_PX) * GRANULE_PX
            start = (begin + end) / 2 - width * cm / 2
            yield Strip(lines, line, float(start), cm, width, 2 * half_px)


def _stretches(u: np.ndarray, first: float, last: float) -> Iterator[tuple[float, float]]:
    """Begin and end of what is to be looked at of a line."""
    if not len(u):
        return
    cuts = np.flatnonzero(np.diff(u) > BARE_CM)
    begins, ends = u[np.r_[0, cuts + 1]] - BEYOND_CM, u[np.r_[cuts, len(u) - 1]] + BEYOND_CM
    for begin, end in zip(np.maximum(begins, first).tolist(), np.minimum(ends, last).tolist(), strict=True):
        if end > begin:
            yield begin, end
