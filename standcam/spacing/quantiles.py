"""Quantiles of the normal, Student's t and the chi-squared distribution.

scipy has them too, and takes as long to load as a photo takes to count. Equal to its values within 1e-9 of them
(``tests/unit/test_quantiles.py``). Formulas by their numbers in the NIST Digital Library of Mathematical Functions.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np

_CLOSE, _NEAR = 1e-15, 1e-12
"""Where sums end, and steps of which the next is the square: relative."""
_TINY = 1e-300
_MOST_TERMS = 100_000
_MOST_STEPS = 200


@cache
def normal(p: float) -> float:
    """Where the standard normal distribution reaches ``p``, above 0 and below 1."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


def student_t(df: np.ndarray, p: float) -> np.ndarray:
    """Where Student's t reaches ``p``, a half to below 1; NaN where the degrees of freedom are. (n,) -> (n,)"""
    return _each(lambda v: _student_t(v, p), df)


def chi_squared(df: np.ndarray, upper: float) -> np.ndarray:
    """Where the chi-squared distribution leaves ``upper`` above; NaN where the degrees of freedom are. (n,) -> (n,)"""
    return _each(lambda v: _chi_squared(v, upper), df)


def _each(quantile: Callable[[float], float], df: np.ndarray) -> np.ndarray:
    """Of each number of degrees of freedom once: there are few different ones."""
    different, which = np.unique(np.asarray(df, float), return_inverse=True)
    found = np.array([quantile(v) if v == v else math.nan for v in different.tolist()])
    return found[which].reshape(np.shape(df))


@lru_cache(maxsize=4096)
def _student_t(df: float, p: float) -> float:
    # above the middle the distribution function is bent down all along, and the normal one reaches p before it: from
    # there Newton's steps come near without passing by
    t = normal(p)
    log_density = math.lgamma((df + 1) / 2) - math.lgamma(df / 2) - math.log(df * math.pi) / 2
    for _ in range(_MOST_STEPS):
        missing = _upper_t(df, t) - (1 - p)
        step = missing / math.exp(log_density - (df + 1) / 2 * math.log1p(t * t / df))
        t += step
        if abs(step) <= _NEAR * t:
            break
    return t


def _upper_t(df: float, t: float) -> float:
    """What Student's t leaves above t, by the incomplete beta function."""
    x = df / (df + t * t)
    return _beta(df / 2, 0.5, x, 1 - x if x < 0.5 else t * t / (df + t * t)) / 2


def _beta(a: float, b: float, x: float, rest: float) -> float:
    """Incomplete beta function, as a share of the complete one (8.17.22); ``rest`` is 1 - x."""
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta(b, a, rest, x)
    if x <= 0:
        return 0.0
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(rest)

    def term(k: int) -> float:
        m = k // 2
        if k % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))

    return math.exp(front) / a / _fraction(1.0, term, lambda k: 1.0)


def _fraction(first: float, over: Callable[[int], float], under: Callable[[int], float]) -> float:
    """A continued fraction ``first + over(1) / (under(1) + over(2) / ...)`` by Lentz's way, see 3.10(iii)."""
    value = c = first
    d = 0.0
    for k in range(1, _MOST_TERMS):
        d = under(k) + over(k) * d
        c = under(k) + over(k) / c
        d = 1 / (d if abs(d) > _TINY else _TINY)
        c = c if abs(c) > _TINY else _TINY
        value *= c * d
        if abs(c * d - 1) <= _CLOSE:
            break
    return value


@lru_cache(maxsize=4096)
def _chi_squared(df: float, upper: float) -> float:
    # Newton's steps for the logarithm, between ends that are known to lie on either side
    z = normal(1 - upper)
    x = df * max(1 - 2 / (9 * df) + z * math.sqrt(2 / (9 * df)), 1e-3) ** 3  # Wilson and Hilferty 1931
    low, high = 0.0, math.inf
    for _ in range(_MOST_STEPS):
        missing = _upper_gamma(df / 2, x / 2) - upper
        low, high = (x, high) if missing > 0 else (low, x)
        log_density = (df / 2 - 1) * math.log(x / 2) - x / 2 - math.lgamma(df / 2) - math.log(2)
        step = missing / max(math.exp(log_density) * x, _TINY)
        new = x * math.exp(min(max(step, -3.0), 3.0))
        if not low < new < high:
            new = (low + high) / 2 if math.isfinite(high) else 2 * x
        if abs(new - x) <= _NEAR * x:
            return new
        x = new
    return x


def _upper_gamma(a: float, x: float) -> float:
    """Upper incomplete gamma function, as a share of the complete one: 8.11.4 below, 8.9.2 above."""
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        total = part = 1 / a
        k = a
        while part > _CLOSE * total:
            k += 1
            part *= x / k
            total += part
        return 1 - front * total
    return front / _fraction(x + 1 - a, lambda k: k * (a - k), lambda k: x + 2 * k + 1 - a)
