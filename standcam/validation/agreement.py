"""Agreement of measurements made in two ways: limits of agreement, concordance, shares with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standcam.estimate import Estimate

PAPER_MULTIPLIER = 2.0
"""Standard deviations from the bias to either limit in Bland & Altman 1986."""
NORMAL_MULTIPLIER = 1.96
"""The same in most later work and software: 95 % of a normal distribution."""


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
    """bias - multiplier sd: about 95 % of differences lie between ``low`` and ``high`` if they are normal."""
    high: float
    """bias + multiplier sd"""
    multiplier: float = PAPER_MULTIPLIER
    """Standard deviations from the bias to either limit."""
    level: float = 0.95
    """Confidence of the intervals below. [1]"""

    @property
    def bias_interval(self) -> Estimate:
        """The bias with its t interval; without ends below two pairs."""
        half = self._t() * self.sd / math.sqrt(self.n) if self.n > 1 else math.nan
        return Estimate(self.bias, self.bias - half, self.bias + half, self.level)

    @property
    def low_interval(self) -> Estimate:
        """The lower limit with its t interval."""
        return self._limit(self.low)

    @property
    def high_interval(self) -> Estimate:
        """The upper limit with its t interval."""
        return self._limit(self.high)

    @property
    def limit_error(self) -> float:
        """Standard error of a limit, ``sqrt(sd² (1 + m² / 2) / n)``: with 2 the paper's ``sqrt(3 sd² / n)``."""
        return self.sd * math.sqrt((1 + self.multiplier**2 / 2) / self.n) if self.n > 1 else math.nan

    def _limit(self, value: float) -> Estimate:
        half = self._t() * self.limit_error
        return Estimate(value, value - half, value + half, self.level)

    def _t(self) -> float:
        if self.n < 2:
            return math.nan
        from scipy.stats import t

        return float(t.ppf(0.5 + self.level / 2, self.n - 1))


def agreement(
    found: np.ndarray, true: np.ndarray, multiplier: float = PAPER_MULTIPLIER, level: float = 0.95
) -> Agreement:
    """Bias and limits of agreement. Pairs with a NaN are left out. (n,), (n,)

    Parameters
    ----------
    found, true : (n,) array
        The two measurements of each thing, in one unit.
    multiplier : float
        Standard deviations from the bias to either limit: 2 in the paper, 1.96 in later ones.
    level : float
        Confidence of the intervals of bias and limits. [1]

    Raises
    ------
    ValueError
        The two have different lengths.
    """
    found, true = _paired(found, true)
    difference = found - true
    n = len(difference)
    bias = float(difference.mean()) if n else float("nan")
    sd = float(difference.std(ddof=1)) if n > 1 else float("nan")
    return Agreement(n, bias, sd, bias - multiplier * sd, bias + multiplier * sd, multiplier, level)


def concordance(found: np.ndarray, true: np.ndarray, level: float = 0.95) -> Estimate:
    """Lin's concordance correlation coefficient with its interval. Pairs with a NaN are left out. (n,), (n,)

    ``2 s_xy / (s_x² + s_y² + (mean_x - mean_y)²)`` with divisor n, and an interval by the inverse hyperbolic
    tangent (Lin 1989, Biometrics 45:255-268, the variance as corrected in Biometrics 56:324). NaN below three
    pairs, or where both stand still. The coefficient grows with the range of what was measured: rows that are
    all alike have a low one however well the two ways agree.

    Raises
    ------
    ValueError
        The two have different lengths.
    """
    x, y = _paired(found, true)
    n = len(x)
    if n < 3:
        return Estimate(math.nan, level=level)
    vx, vy, shift = float(x.var()), float(y.var()), float(x.mean() - y.mean())
    covariance = float(((x - x.mean()) * (y - y.mean())).mean())
    if vx + vy + shift**2 <= 0:
        return Estimate(math.nan, level=level)
    rho = 2 * covariance / (vx + vy + shift**2)
    if vx <= 0 or vy <= 0 or covariance == 0 or n < 4:
        return Estimate(rho, level=level)
    if 1 - rho**2 < 1e-12:
        return Estimate(rho, rho, rho, level)
    r2 = covariance**2 / (vx * vy)
    u2 = shift**2 / math.sqrt(vx * vy)
    r = covariance / math.sqrt(vx * vy)
    rest = 1 - rho**2
    variance = (
        (1 - r2) * rho**2 / (rest * r2)
        + 2 * rho**3 * (1 - rho) * u2 / (r * rest**2)
        - rho**4 * u2**2 / (2 * r2 * rest**2)
    ) / (n - 2)
    from scipy.stats import norm

    half = float(norm.ppf(0.5 + level / 2)) * math.sqrt(max(variance, 0.0))
    z = math.atanh(rho)
    return Estimate(rho, math.tanh(z - half), math.tanh(z + half), level)


def concordance_words(rho: float) -> str:
    """McBride's word for a concordance (NIWA Client Report HAM2005-062, 2005); empty for NaN."""
    if not math.isfinite(rho):
        return ""
    return "poor" if rho < 0.90 else "moderate" if rho < 0.95 else "substantial" if rho <= 0.99 else "excellent"


def clustered(
    part: np.ndarray, whole: np.ndarray, level: float = 0.95, resamples: int = 1000, seed: int = 20
) -> Estimate:
    """A ratio of sums over rows, with the percentile interval of a bootstrap of whole rows. (n,), (n,) [1]

    Rows, not plants, are what varies: a photo out of focus misses plants together. No interval below three rows;
    few rows still give one that is too narrow.

    Parameters
    ----------
    part, whole : (n,) array
        What was counted in each row.
    level, resamples, seed
        As in :class:`standcam.settings.StatisticsSettings`.
    """
    part, whole = np.asarray(part, float), np.asarray(whole, float)
    total = float(whole.sum())
    value = float(part.sum()) / total if total > 0 else math.nan
    n = len(part)
    if n < 3 or not total > 0:
        return Estimate(value, level=level)
    drawn = np.random.default_rng(seed).integers(n, size=(resamples, n))
    sums = whole[drawn].sum(axis=1)
    ratio = part[drawn].sum(axis=1)[sums > 0] / sums[sums > 0]
    low, high = np.quantile(ratio, [0.5 - level / 2, 0.5 + level / 2])
    return Estimate(value, float(low), float(high), level)


def _paired(found: np.ndarray, true: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    found, true = np.asarray(found, float), np.asarray(true, float)
    if found.shape != true.shape:
        raise ValueError(f"{found.size} found values cannot be paired with {true.size} true ones")
    both = np.isfinite(found) & np.isfinite(true)
    return found[both], true[both]
