"""Peaks that may be one plant: where a network cannot tell at which of two places a stem stands, it warms both."""

from __future__ import annotations

import numpy as np

_FAR = 12.0
"""Beyond so many ``far_cm`` a rival counts for nothing. [1]"""


def rivals(
    heat: np.ndarray, places: np.ndarray, far_cm: float, row: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Closeness of the nearest hotter peak, and how much hotter it is.

    Parameters
    ----------
    heat : (n,) array
        Logits.
    places : (n, 2) array
        In walking order: row by row, and along each. [cm]
    far_cm : float
        Distance over which closeness falls to 1 / e. [cm]
    row : (n,) int array, optional
        Peaks of other rows are no rivals; by default all are of one row.

    Returns
    -------
    closeness : (n,) array
        1 at no distance, 0 where no hotter one is near.
    above : (n,) array
        0 where there is none.
    """
    n = len(heat)
    nearest, above = np.full(n, np.inf), np.zeros(n)
    x, y = places.T if n else np.empty((2, 0))
    for step in range(1, n):
        apart = np.hypot(x[step:] - x[:-step], y[step:] - y[:-step])
        if row is not None:
            apart[row[step:] != row[:-step]] = np.inf
        # in walking order those farther on are farther off
        if apart.min() > _FAR * far_cm:
            break
        for mine, other in ((slice(step, None), slice(None, -step)), (slice(None, -step), slice(step, None))):
            more = heat[other] - heat[mine]
            better = (more > 0) & (apart < nearest[mine])
            nearest[mine] = np.where(better, apart, nearest[mine])
            above[mine] = np.where(better, more, above[mine])
    return np.exp(-nearest / far_cm), above
