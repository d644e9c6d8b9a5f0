"""Error of measurement taken out of the spread of gaps.

A stem read at ``p + e`` moves two gaps, the one before it by ``+e`` and the one behind it by ``-e``. With errors
independent from stem to stem and of the true places, a gap between stems i and j gains the variance
``v_i + v_j``. Along a row the errors telescope: a sum of neighbouring gaps keeps only those of its two ends, so that
the mean gap hardly moves while the spread grows.

What is taken out are the independent errors that ``position_sd_cm`` tells of. A wrong scale stretches all gaps of a
photo alike, leaves the CV as it is, and is not taken out. Stems missed or seen twice are no errors of position:
no subtraction mends the gaps that they make.
"""

from __future__ import annotations

import numpy as np


def error_variance(
    left_var: np.ndarray, right_var: np.ndarray, row: np.ndarray, group_of_row: np.ndarray, n_groups: int
) -> np.ndarray:
    """What errors of position add, on average, to the sample variance of the gaps of each group. [cm²]

    For N gaps ``g_k = d_k + e_k+1 - e_k`` over rows r, the sample variance is ``(sum g² - N mean²) / (N - 1)``. The
    errors add ``sum (v_k + v_k+1)`` to the first term. In the second all but the first and the last error of each row
    cancel, so that the mean gains the variance ``sum_r (v_first + v_last) / N²``. Together::

        (sum_k (v_k + v_k+1) - sum_r (v_first + v_last) / N) / (N - 1)

    For one row with errors all of variance v that is ``2 v (N² - 1) / (N (N - 1))``, or ``2 v (N + 1) / N``. Exact as
    long as errors do not change the order of the stems; where they do (stems closer than about twice their error) the
    spread seen grows a little less.

    Parameters
    ----------
    left_var, right_var : array (n,)
        Error variance of the stems at both ends of each gap; NaN where unknown. [cm²]
    row : array (n,)
        Row of each gap; the gaps of a row stand together and in order.
    group_of_row : array (r,)
        Group (row itself, plot) of each row.
    n_groups : int
        Groups.

    Returns
    -------
    array (n_groups,)
        NaN for fewer than two gaps, and where any of the errors is unknown.
    """
    left_var, right_var = np.asarray(left_var, float), np.asarray(right_var, float)
    row = np.asarray(row)
    group = np.asarray(group_of_row)[row]
    n = np.bincount(group, minlength=n_groups).astype(float)
    turns = np.flatnonzero(np.diff(row)) + 1
    first = np.concatenate([[0], turns]) if len(row) else turns
    last = np.concatenate([turns - 1, [len(row) - 1]]) if len(row) else turns
    total = np.bincount(group, left_var + right_var, n_groups)
    ends = np.bincount(group[first], left_var[first], n_groups) + np.bincount(group[last], right_var[last], n_groups)
    out = np.full(n_groups, np.nan)
    some = n >= 2
    out[some] = (total[some] - ends[some] / n[some]) / (n[some] - 1)
    return out


def corrected_sd(sd_cm: np.ndarray, error_var: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """SD of the true gaps, and where the error is too large to tell. (n,) [cm], [cm²] -> (n,) [cm], (n,) bool

    ``sqrt(sd² - error variance)``: the difference is unbiased, so that single values of few gaps scatter to both
    sides, some of them below zero. Averages over only those rows that could be corrected are therefore too high:
    pool the rows in plots instead. NaN where the SD or the errors are unknown, and where the error variance is not
    below what was seen; only the latter is marked.
    """
    sd_cm, error_var = np.asarray(sd_cm, float), np.asarray(error_var, float)
    left = np.where(error_var == 0, sd_cm**2, sd_cm**2 - error_var)
    drowned = (error_var > 0) & (left <= 0)
    with np.errstate(invalid="ignore"):
        return np.where(drowned, np.nan, np.sqrt(np.where(left >= 0, left, np.nan))), drowned
