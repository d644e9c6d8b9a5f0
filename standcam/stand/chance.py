"""Marks along rows against chance: do they stand together, and what share are they?

For given numbers of marks in each row, every order of a row is equally likely by chance. The distribution of what is
counted then follows from counting orders, row by row, and sums over rows by convolution. It is the permutation
distribution itself, so no random numbers are needed.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from standcam.estimate import Estimate
from standcam.spacing.intervals import clopper_pearson


@dataclass(frozen=True)
class ChanceTest:
    """How often something stands together, and how often chance alone would bring it together."""

    name: str
    marked: int
    """Things of the first kind that could have stood so."""
    observed: int
    expected: float
    """Mean over all orders within rows."""
    p: float
    """Two-sided: twice the smaller tail; after :meth:`adjusted`, for the number of tests made."""
    smallest_p: float
    """The p value that the strongest clustering these numbers allow would have."""
    told: bool
    """Whether any order could have given a clear answer."""
    sentence: str = ""
    """In words."""

    def adjusted(self, p: float, alpha: float) -> ChanceTest:
        """The test with another p value, in words."""
        head = f"{self.name[0].upper()}{self.name[1:]}: {self.observed}, by chance {self.expected:.1f}"
        tail = f"p {p:.3f}" if p >= 0.001 else "p below 0.001"
        if p > alpha:
            verdict = "no more or less than chance brings"
        elif self.observed > self.expected:
            verdict = "they cluster"
        else:
            verdict = "they keep apart more than chance would"
        return replace(self, p=p, sentence=f"{head} ({tail}): {verdict}.")


def at_least(name: str, question: str, marked: int, observed: int, weights: np.ndarray, tests: int = 3) -> ChanceTest:
    """Test of a count against its distribution.

    Parameters
    ----------
    name : str
        What was counted, in words.
    question : str
        What is asked, to stand behind "whether".
    marked, observed : int
    weights : array (k,)
        Probability of the counts 0, 1, 2 ...
    tests : int
        Tests that are made together: the strongest clustering must stay below 5 % after adjustment, else the
        question cannot be told.
    """
    counts = np.arange(len(weights))
    expected = float(counts @ weights)
    high, low = weights[observed:].sum(), weights[: observed + 1].sum()
    p = min(1.0, 2 * float(min(high, low)))
    most = int(np.flatnonzero(weights > 1e-13)[-1])
    smallest = min(1.0, 2 * float(weights[most]))
    told = tests * smallest <= 0.05
    words = f"Whether {question} cannot be told: too few ({marked})." if not told else ""
    return ChanceTest(name, marked, observed, expected, p, smallest, told, words)


def run_counts(rows: Sequence[np.ndarray]) -> tuple[int, int, np.ndarray]:
    """Marks, marks that follow a mark, and the distribution of the latter over all orders within rows.

    k marks among m places make r runs in ``C(k - 1, r - 1) C(m - k + 1, r)`` of ``C(m, k)`` orders (Stevens 1939,
    Annals of Eugenics 9:10-17; Mood 1940, Annals of Mathematical Statistics 11:367-392), and k - r marks follow a mark.

    Parameters
    ----------
    rows : sequence of (m,) bool arrays
    """
    marked = int(sum(row.sum() for row in rows))
    observed = int(sum((row[1:] & row[:-1]).sum() for row in rows))
    kinds = Counter((len(row), int(row.sum())) for row in rows)
    return marked, observed, _summed({_run_weights(m, k): n for (m, k), n in kinds.items()})


def beside_counts(rows: Sequence[tuple[np.ndarray, np.ndarray]]) -> tuple[int, int, np.ndarray]:
    """Marks, marks on special places, and the distribution of the latter: hypergeometric in each row.

    Parameters
    ----------
    rows : sequence of pairs of (m,) bool arrays
        Marks, and which places are special.
    """
    marked = int(sum(mark.sum() for mark, _ in rows))
    observed = int(sum((mark & place).sum() for mark, place in rows))
    kinds = Counter((len(mark), int(mark.sum()), int(place.sum())) for mark, place in rows)
    weights: dict[tuple[float, ...], int] = {}
    for (m, k, s), n in kinds.items():
        pmf = tuple(math.comb(s, x) * math.comb(m - s, k - x) / math.comb(m, k) for x in range(min(k, s) + 1))
        weights[pmf] = weights.get(pmf, 0) + n
    return marked, observed, _summed(weights)


def _run_weights(m: int, k: int) -> tuple[float, ...]:
    """Probability of 0, 1, 2 ... marks that follow a mark."""
    if k == 0:
        return (1.0,)
    pairs = [0.0] * k
    for runs in range(1, min(k, m - k + 1) + 1):
        pairs[k - runs] = math.comb(k - 1, runs - 1) * math.comb(m - k + 1, runs) / math.comb(m, k)
    return tuple(pairs)


def _summed(weights: dict[tuple[float, ...], int]) -> np.ndarray:
    """Distribution of the sum of independent counts, each distribution as often as its number says."""
    length = 1 + sum((len(pmf) - 1) * n for pmf, n in weights.items())
    total = np.ones(length // 2 + 1, complex)
    for pmf, n in weights.items():
        total *= np.fft.rfft(pmf, length) ** n
    out = np.clip(np.fft.irfft(total, length), 0.0, None) if length > 1 else np.ones(1)
    out[out < 1e-14] = 0.0  # noise of the transform
    return out / out.sum()


def clustered_share(marked: np.ndarray, judged: np.ndarray, level: float) -> Estimate:
    """Share of marked things, with an interval that takes rows as the sampling unit.

    The exact binomial interval at the effective number of things: fewer than were judged where rows differ more than
    chance (design effect), and by the few degrees of freedom of few rows (Korn and Graubard 1998, Survey Methodology
    24:193-201, from memory). A single row gives no interval.

    Parameters
    ----------
    marked, judged : (r,) arrays
        Counts of each row.
    level : float
        Confidence. [1]

    Returns
    -------
    Estimate
        [1]
    """
    n, r = float(np.sum(judged)), len(judged)
    if n == 0:
        return Estimate(math.nan, level=level)
    p = float(np.sum(marked)) / n
    if r < 2:
        return Estimate(p, level=level)
    from scipy.stats import t

    effective = n
    if 0 < p < 1:
        variance = r / (r - 1) * float(np.sum((np.asarray(marked) - p * np.asarray(judged)) ** 2)) / n**2
        effective = n / max(1.0, variance / (p * (1 - p) / n))
    tail = (1 + level) / 2
    effective *= (t.ppf(tail, n - 1) / t.ppf(tail, r - 1)) ** 2 if n > 1 else 1.0
    low, high = clopper_pearson(np.array(p * effective), np.array(effective), level)
    return Estimate(p, float(low), float(high), level)
