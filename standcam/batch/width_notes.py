"""Distances of rows beside the row width that was given: a board printed at a wrong scale shows in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

_FEWEST = 5
"""Fewer distances tell little (chosen by us)."""
_ALIKE = 1.3
"""Distances more than so many times the smaller ones span a row that was not seen. [1]"""
_OFF, _CLEAR = 0.04, 3.0
"""A difference is told from this share on, and from so many standard errors. On 91 pairs of rows in path-traced photos
distances were 1.2 % short in the mean and scattered by 1.8 %; planters and markers keep theirs to some centimetres
(common practice, no source), a board printed to fit another paper is 3 to 6 % small. [1]"""


def width_notes(distances_cm: Sequence[float], row_width_cm: float | None) -> list[str]:
    """A note where the rows of a run lie wider or closer than was said; no number is changed.

    Parameters
    ----------
    distances_cm : sequence of float
        From row to row, of all photos. [cm]
    row_width_cm : float, optional
        As set. [cm]
    """
    seen = np.asarray(distances_cm, float)
    if row_width_cm is None or len(seen) < _FEWEST:
        return []
    near = seen[seen <= _ALIKE * np.quantile(seen, 0.2)]
    if len(near) < _FEWEST:
        return []
    median = float(np.median(near))
    # of a median, 1.25 times that of a mean; the scatter by the median of what is off
    error = 1.2533 * 1.4826 * float(np.median(np.abs(near - median))) / len(near) ** 0.5
    off = abs(median - row_width_cm)
    if off < _OFF * row_width_cm or off < _CLEAR * error:
        return []
    return [
        f"Rows lie {median:.1f} cm apart in the photos (median of {len(near)} distances), but the row width was given "
        f"as {row_width_cm:g} cm. If that is right, lengths are off by as much: measure the ruler on the printed "
        "board. Nothing was changed."
    ]
