"""What is asked of treatment means: pairs, a control, a dose, and how many plots it would take.

All work on the scale of the analysis and on :class:`standcam.stand.trial_models.Means`; `on_scale` turns
differences of log odds into percentage points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from standcam.stand.trial_models import Means

TUKEY, DUNNETT, ALONE = "Tukey", "Dunnett", "one pair"
"""How a family of comparisons is kept at its level: studentized range, many-to-one, or nothing to keep."""

_MOST_PLOTS = 500


@dataclass(frozen=True)
class Pair:
    """One comparison, second less first, on the scale of the analysis."""

    first: int
    second: int
    difference: float
    se: float
    df: float
    low: float
    high: float
    p: float
    """Adjusted for the family."""


@dataclass(frozen=True)
class Dose:
    """Response of the means to a number such as speed, on the scale of the analysis."""

    slope: float
    se: float
    df: float
    low: float
    high: float
    p: float
    at: float
    """Mean dose, where the slope of a log odds is turned into points."""
    middle: float
    """Fitted mean there."""
    misfit_p: float
    """Test of lack of fit of the straight line; NaN with two doses."""
    curve: tuple[float, float, float] | None
    """Constant, slope and square about `at`, where the data ask for a curve and support it."""
    curve_p: float


def pairs(means: Means, level: float, control: int | None = None) -> tuple[list[Pair], str]:
    """All pairs, or all against a control, with intervals and p values that hold for the family.

    Parameters
    ----------
    means : Means
    level : float
        Confidence of the family. [1]
    control : int, optional
        Place of the control among the levels: Dunnett in place of Tukey.

    Returns
    -------
    pairs : list of Pair
    method : str
        TUKEY, DUNNETT or ALONE.
    """
    k = len(means.levels)
    if control is None:
        wanted = [(i, j) for i in range(k) for j in range(i + 1, k)]
    else:
        wanted = [(control, j) for j in range(k) if j != control]
    method = ALONE if k == 2 else TUKEY if control is None else DUNNETT
    loads = _loads(means.cov, control) if method == DUNNETT and control is not None else None
    out = []
    known: dict[float, float] = {}
    for i, j in wanted:
        weights = np.zeros(k)
        weights[[i, j]] = -1, 1
        value, se, df = means.contrast(weights)
        at = round(df, 6)
        if at not in known:
            known[at] = critical(method, level, k, df, loads)
        p = p_value(method, abs(value) / se, k, df, loads)
        out.append(Pair(i, j, value, se, df, value - known[at] * se, value + known[at] * se, p))
    return out, method


def critical(method: str, level: float, k: int, df: float, loads: np.ndarray | None = None) -> float:
    """Two-sided bound of t for one family of comparisons. [standard errors]"""
    from scipy import optimize, stats

    if method == TUKEY:
        return _range_point(level, k, df)
    if method == DUNNETT:
        loads = np.full(k - 1, np.sqrt(0.5)) if loads is None else loads
        return float(optimize.brentq(lambda c: _below(c, loads, df) - level, 0.0, _bonferroni(level, k - 1, df)))
    return float(stats.t.ppf((1 + level) / 2, df))


@lru_cache(maxsize=256)
def _range_point(level: float, k: int, df: float) -> float:
    from scipy import stats

    return float(stats.studentized_range.ppf(level, k, df)) / np.sqrt(2)


def _bonferroni(level: float, comparisons: int, df: float) -> float:
    """A bound that is never too low, a little widened."""
    from scipy import stats

    return 1.01 * float(stats.t.isf((1 - level) / (2 * comparisons), df))


@lru_cache(maxsize=4096)
def _planned(method: str, level: float, k: int, df: float) -> float:
    """As :func:`critical`, fast enough to search in: scipy's range takes a tenth of a second."""
    from scipy import optimize

    if method != TUKEY:
        return critical(method, level, k, df)
    top = _bonferroni(level, k * (k - 1) // 2, df)
    return float(optimize.brentq(lambda c: _range_below(c, k, df) - level, 0.0, top))


def p_value(method: str, t: float, k: int, df: float, loads: np.ndarray | None = None) -> float:
    """Two-sided p of an absolute t within its family."""
    from scipy import stats

    if method == TUKEY:
        return float(np.clip(stats.studentized_range.sf(t * np.sqrt(2), k, df), 0, 1))
    if method == DUNNETT:
        return float(np.clip(1 - _below(t, np.full(k - 1, np.sqrt(0.5)) if loads is None else loads, df), 0, 1))
    return float(2 * stats.t.sf(t, df))


def _loads(cov: np.ndarray, control: int) -> np.ndarray:
    """Share that each comparison owes to the control: its correlations are products of these.

    Exact where means are independent (no blocks) and where all plots stand in complete blocks; else the mean
    of the covariances serves.
    """
    others = np.flatnonzero(np.arange(len(cov)) != control)
    d = np.zeros((len(others), len(cov)))
    d[np.arange(len(others)), others] = 1
    d[:, control] = -1
    c = d @ cov @ d.T
    shared = c[~np.eye(len(c), dtype=bool)].mean()
    return np.sqrt(np.clip(shared / np.diag(c), 0.0, 0.999))


def _below(bound: float, loads: np.ndarray, df: float) -> float:
    """P(all |t| < bound) with correlations ``loads_i loads_j`` (Dunnett 1955, JASA 50:1096-1121).

    Given the error of the control (normal) and that of the error mean square (chi), comparisons are
    independent; both are integrated out by Gauss's rules.
    """
    from scipy import special

    z, wz = _normal()
    s, wu = _scale(df)
    free = np.sqrt(1 - loads**2)
    a = loads[:, None, None] * z[:, None]
    c = bound * s
    inside = special.ndtr((c + a) / free[:, None, None]) - special.ndtr((-c + a) / free[:, None, None])
    return float(wz @ inside.prod(axis=0) @ wu)


def _range_below(bound: float, k: int, df: float) -> float:
    """P(all pairs of k means closer than ``bound`` standard errors of a difference): the studentized range."""
    from scipy import special

    # the largest of k lies at z, the others within the range below it
    z, step = np.linspace(-8.0, 8.0 + 1e-9, 161, retstep=True)
    s, wu = _scale(df)
    within = special.ndtr(z)[:, None] - special.ndtr(z[:, None] - bound * np.sqrt(2) * s)
    density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    return float(step * k * (density @ within ** (k - 1)) @ wu)


@cache
def _normal() -> tuple[np.ndarray, np.ndarray]:
    z, w = np.polynomial.hermite_e.hermegauss(80)
    return z, w / w.sum()


@lru_cache(maxsize=4096)
def _scale(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights for an estimated standard error over the true one, chi / sqrt(df)."""
    from scipy import stats

    x, w = np.polynomial.legendre.leggauss(64)
    low, high = (0.5 * np.log(stats.chi2.ppf(q, df) / df) for q in (1e-12, 1 - 1e-13))
    log_s = low + (high - low) * (x + 1) / 2
    s = np.exp(log_s)
    w = w * stats.chi2.pdf(df * s**2, df) * 2 * df * s**2  # the last factor: d(chi2) / d(log s)
    return s, w / w.sum()


def dose_response(means: Means, dose: np.ndarray, level: float, kind: np.ndarray | None = None) -> Dose:
    """Straight line through the means against a dose, its lack of fit, and a curve where it is called for.

    Generalised least squares on the means: for an analysis of variance the same as fitting the line to the
    plots and testing against the error between plots of one treatment.

    Parameters
    ----------
    means : Means
    dose : array (k,)
        Of each treatment.
    level : float
        Confidence. [1]
    kind : array (k,) of int, optional
        Another factor that crosses the dose; each kind gets a height of its own, the slope is common.
    """
    from scipy import stats

    at = float(dose.mean())
    base = np.ones((len(dose), 1)) if kind is None else np.eye(int(kind.max()) + 1)[kind]
    inverse = np.linalg.inv(means.cov)

    def line(design: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        cov = np.linalg.inv(design.T @ inverse @ design)
        b = cov @ design.T @ inverse @ means.estimate
        rest = means.estimate - design @ b
        return b, cov @ design.T @ inverse, float(rest @ inverse @ rest)

    x = dose - at
    straight = np.column_stack([base, x])
    b, weights, misfit = line(straight)
    slope, se, df = means.contrast(weights[-1])
    bound = float(stats.t.ppf((1 + level) / 2, df))
    left = len(dose) - straight.shape[1]
    misfit_p = float(stats.f.sf(misfit / left, left, means.df)) if left else float("nan")
    curve, curve_p = None, float("nan")
    if len(np.unique(dose)) >= 3:
        bent, bent_weights, _ = line(np.column_stack([straight, x**2]))
        square, square_se, square_df = means.contrast(bent_weights[-1])
        curve_p = float(2 * stats.t.sf(abs(square) / square_se, square_df))
        if curve_p < 1 - level and misfit_p < 1 - level:
            curve = (float(bent[:-2].mean()), float(bent[-2]), float(bent[-1]))
    return Dose(
        slope, se, df, slope - bound * se, slope + bound * se, float(2 * stats.t.sf(abs(slope) / se, df)),
        at, float(b[:-1].mean()), misfit_p, curve, curve_p,
    )  # fmt: skip


def power(difference: float, se: float, df: float, bound: float) -> float:
    """Chance that a true difference is found beyond ``bound`` standard errors (noncentral t). [1]"""
    from scipy import special

    away = abs(difference) / se
    s, w = _scale(df)  # scipy's noncentral t gives NaN for few degrees of freedom
    return float((special.ndtr(away - bound * s) + special.ndtr(-away - bound * s)) @ w)


def detectable(se: float, df: float, bound: float, chance: float = 0.8) -> float:
    """Smallest true difference that is found with this chance."""
    from scipy import optimize

    top = bound + 3.0
    while power(top, 1.0, df, bound) < chance:
        top *= 2
        if top > 1e6:
            return float("inf")
    return se * float(optimize.brentq(lambda d: power(d, 1.0, df, bound) - chance, 0.0, top))


def plots_needed(
    difference: float,
    sd: float,
    k: int,
    *,
    blocked: bool,
    method: str,
    level: float,
    chance: float = 0.8,
) -> int | None:
    """Plots of each treatment that find a true difference of two treatments with this chance.

    Parameters
    ----------
    difference, sd : float
        Difference, and scatter of plots (within blocks), in one unit.
    k : int
        Treatments.
    blocked : bool
        Whether plots stand in complete blocks, which cost degrees of freedom.
    method : str
        Family, as `pairs` gives it.

    Returns
    -------
    int or None
        None beyond 500.
    """
    if not (np.isfinite(difference) and np.isfinite(sd)) or difference == 0:
        return None

    def enough(n: int) -> bool:
        df = (n - 1) * (k - 1) if blocked else k * (n - 1)
        return power(difference, sd * np.sqrt(2 / n), df, _planned(method, level, k, df)) >= chance

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if low >= _MOST_PLOTS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def on_scale(means: Means, first: int, second: int, difference: float) -> float:
    """A difference of two means in the unit of the measure: log odds become percentage points.

    The middle of the two log odds is held and the difference laid about it, block by block, so that interval
    and test agree; at the fitted difference the result is that of the raw percentages (for equal counts).
    """
    if means.scale != "logit":
        return difference
    middle = (means.estimate[first] + means.estimate[second]) / 2
    return points(middle + means.shifts, difference)


def points(middle: np.ndarray, difference: float) -> float:
    """A difference of log odds about middles (a block each) as percentage points."""
    from scipy.special import expit

    return float(100 * np.mean(expit(middle + difference / 2) - expit(middle - difference / 2)))


def level_on_scale(means: Means, value: float) -> float:
    """A mean in the unit of the measure: log odds become percent, averaged over blocks."""
    from scipy.special import expit

    return value if means.scale != "logit" else float(100 * np.mean(expit(value + means.shifts)))


def log_odds_of_points(means: Means, wanted: float) -> float:
    """Difference of log odds about the mean of all treatments that makes so many percentage points."""
    from scipy import optimize

    if means.scale != "logit":
        return wanted
    middle = float(means.estimate.mean()) + means.shifts
    if abs(wanted) >= 99:
        return float("nan")
    return float(optimize.brentq(lambda d: points(middle, d) - abs(wanted), 0.0, 60.0))
