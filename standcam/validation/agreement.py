"""Agreement of counts made in two ways on the same rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Agreement:
    """Limits of agreement of two ways of measuring (Bland & Altman 1986, Lancet 327:307-310)."""

    n: int
    """Pairs of measurements."""
    bias: float
    """Mean of found - true."""
    sd: float
    """Sample standard deviation of found - true; NaN below two pairs."""
    low: float
    """bias - 2 sd: about 95 % of differences lie between ``low`` and ``high`` if they are normal."""
    high: float
    """bias + 2 sd"""


def agreement(found: np.ndarray, true: np.ndarray) -> Agreement:
    """Bias and limits of agreement. Pairs with a NaN are left out. (n,), (n,)

    Twice the standard deviation is used, as in the paper (1.96 in later ones).

    Raises
    ------
    ValueError
        The two have different lengths.
    """
    found, true = np.asarray(found, float), np.asarray(true, float)
    if found.shape != true.shape:
        raise ValueError(f"{found.size} found values cannot be paired with {true.size} true ones")
    difference = (found - true)[np.isfinite(found - true)]
    n = len(difference)
    bias = float(difference.mean()) if n else float("nan")
    sd = float(difference.std(ddof=1)) if n > 1 else float("nan")
    return Agreement(n, bias, sd, bias - 2 * sd, bias + 2 * sd)
