"""Linear models of a trial's plots: treatment means, how surely they are known, and what was left unexplained.

Every model gives the same record, :class:`Means`: one mean a treatment on the scale of the analysis, their
covariance and degrees of freedom. All tests of a trial (pairs, control, dose) are contrasts of those means.

Plots are the units that treatments were given to. Rows within a plot are samples of it and enter only as
such: averaged, or with a random effect of the plot above them.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

_SMALL = 1e-10


class NoTest(Exception):
    """Data that allow no test; the message says why, for people."""


@dataclass(frozen=True)
class Means:
    """Treatment means on the scale of the analysis."""

    levels: tuple[str, ...]
    estimate: np.ndarray
    """(k,) averaged over blocks, each block counting alike."""
    cov: np.ndarray
    """(k, k)"""
    df: float
    """Degrees of freedom of the error; of the overall test in a mixed model."""
    f: float
    """F of "all treatments alike", on k - 1 and `df`."""
    p: float
    scale: str
    """identity or logit."""
    model: str
    """What was fitted, in words, and why."""
    shifts: np.ndarray = field(default_factory=lambda: np.zeros(1))
    """Block effects about their mean, to come back from the logit scale. (b,)"""
    anova: pd.DataFrame | None = None
    """Textbook table: source, df, ss, ms, f, p."""
    components: dict[str, float] = field(default_factory=dict)
    """Variances: residual, and block or plot where they are random."""
    notes: tuple[str, ...] = ()
    odd: tuple[int, ...] = ()
    """Plots (places in the data given) that lie far from the rest."""
    random: Random | None = None
    """Set where random effects make degrees of freedom differ from contrast to contrast."""

    def contrast(self, weights: np.ndarray) -> tuple[float, float, float]:
        """Value, standard error and degrees of freedom of one weighted sum of the means. (k,)"""
        value = float(weights @ self.estimate)
        se = float(np.sqrt(max(weights @ self.cov @ weights, 0.0)))
        return value, se, self.df if self.random is None else self.random.df(weights[None, :])[1]


@dataclass(frozen=True)
class Random:
    """Kenward and Roger's small-sample adjustment for a model with variance components.

    Kenward & Roger 1997, Biometrics 53:983-997. For balanced data it gives the F and t tests of the textbook
    analysis of variance.
    """

    x: np.ndarray
    """Fixed effects, treatments first. (n, p)"""
    parts: tuple[np.ndarray, ...]
    """Covariance of a unit of each variance component. (n, n) each"""
    variances: np.ndarray
    phi: np.ndarray
    """(p, p) covariance of the fixed effects, components taken as known."""
    cov: np.ndarray
    """(p, p) the same, adjusted for their having been estimated."""
    p_: tuple[np.ndarray, ...]
    w: np.ndarray
    """Covariance of the estimated components."""

    @classmethod
    def of(cls, x: np.ndarray, parts: Sequence[np.ndarray], variances: np.ndarray) -> Random:
        """Adjustment for a model with these fixed effects and components."""
        inverse = np.linalg.inv(sum(s * g for s, g in zip(variances, parts, strict=True)))
        vx = inverse @ x
        phi = np.linalg.inv(x.T @ vx)
        p_ = [-vx.T @ g @ vx for g in parts]
        q_ = [[vx.T @ g @ inverse @ h @ vx for h in parts] for g in parts]
        n = len(parts)
        information = np.array(
            [
                [
                    np.trace(inverse @ parts[i] @ inverse @ parts[j])
                    - 2 * np.trace(phi @ q_[i][j])
                    + np.trace(phi @ p_[i] @ phi @ p_[j])
                    for j in range(n)
                ]
                for i in range(n)
            ]
        )
        w = np.linalg.inv(information / 2)
        extra = sum(w[i, j] * (q_[i][j] - p_[i] @ phi @ p_[j]) for i in range(n) for j in range(n))
        return cls(x, tuple(parts), variances, phi, phi + 2 * phi @ extra @ phi, tuple(p_), w)

    def df(self, contrasts: np.ndarray) -> tuple[float, float]:
        """Factor on F and denominator degrees of freedom for rows of contrasts of the treatments. (q, k)"""
        wide = np.zeros((len(contrasts), len(self.phi)))
        wide[:, : contrasts.shape[1]] = contrasts
        q = len(wide)
        theta = wide.T @ np.linalg.inv(wide @ self.phi @ wide.T) @ wide
        m = [theta @ self.phi @ p @ self.phi for p in self.p_]
        n = len(m)
        a1 = sum(self.w[i, j] * np.trace(m[i]) * np.trace(m[j]) for i in range(n) for j in range(n))
        a2 = sum(self.w[i, j] * np.trace(m[i] @ m[j]) for i in range(n) for j in range(n))
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
        expected = 1 / (1 - a2 / q)
        variance = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = variance / (2 * expected**2)
        df = 4 + (q + 2) / (q * rho - 1)
        return float(df / (expected * (df - 2))), float(df)


def block_state(treatment: np.ndarray, block: np.ndarray | None) -> str:
    """How blocks hold treatments: none, complete, incomplete, or apart.

    Apart means that some treatments never share a block with others, not even by way of third ones.
    """
    if block is None:
        return "none"
    treatments, t = np.unique(treatment, return_inverse=True)
    blocks, b = np.unique(block, return_inverse=True)
    there = np.zeros((len(treatments), len(blocks)), bool)
    there[t, b] = True
    if there.all():
        return "complete"
    reached = np.arange(len(treatments)) == 0
    for _ in treatments:
        reached = np.asarray(there[:, there[reached].any(axis=0)].any(axis=1))
    return "incomplete" if reached.all() else "apart"


def codes(values: np.ndarray, levels: Sequence[str]) -> np.ndarray:
    """Place of each value in the list of levels. (n,)"""
    at = {level: i for i, level in enumerate(levels)}
    return np.array([at[v] for v in values], int)


def _ones(code: np.ndarray, k: int) -> np.ndarray:
    return np.eye(k)[code]


def _fixed(treatment: np.ndarray, k: int, block: np.ndarray | None) -> np.ndarray:
    """Design matrix: a column a treatment, and blocks as deviations that sum to zero."""
    x = _ones(treatment, k)
    if block is None:
        return x
    b = int(block.max()) + 1
    return np.hstack([x, np.vstack([np.eye(b - 1), -np.ones(b - 1)])[block]]) if b > 1 else x


def _shifts(coefficients: np.ndarray) -> np.ndarray:
    return np.append(coefficients, -coefficients.sum())


def fit_plots(
    value: np.ndarray, treatment: np.ndarray, levels: Sequence[str], block: np.ndarray | None, why: str = ""
) -> Means:
    """Analysis of variance of plot values, with fixed blocks if there are any.

    Parameters
    ----------
    value : array (n,)
        One a plot.
    treatment : array (n,) of int
        Place in `levels`.
    levels : sequence of str
    block : array (n,) of int, optional
    why : str
        Reason for this model, where it is not the plain one.

    Raises
    ------
    NoTest
        No degrees of freedom for error, or no scatter at all.
    """
    from scipy import stats
    from statsmodels.regression.linear_model import OLS

    k = len(levels)
    x = _fixed(treatment, k, block)
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise NoTest("treatments and blocks cannot be told apart")
    fit = OLS(value, x).fit()
    df = float(fit.df_resid)
    _need_error(df)
    rss = float(fit.ssr)
    total = float(((value - value.mean()) ** 2).sum())
    if rss <= _SMALL * max(total, (value**2).sum() * 1e-6):
        raise NoTest("plots of one treatment do not differ at all, so there is no scatter to test against")
    without = np.hstack([np.ones((len(value), 1)), x[:, k:]])
    ss = float(OLS(value, without).fit().ssr) - rss
    lines: list[tuple[str, float, float]] = [("treatment", k - 1, ss)]
    if block is not None:
        lines.append(("block", x.shape[1] - k, float(OLS(value, x[:, :k]).fit().ssr) - rss))
    lines += [("error", df, rss), ("total", len(value) - 1, total)]
    anova = pd.DataFrame(lines, columns=["source", "df", "ss"])
    anova["ms"] = (anova["ss"] / anova["df"]).where(anova["source"] != "total")
    error = rss / df
    tested = anova["source"].isin(["treatment", "block"])
    anova["f"] = (anova["ms"] / error).where(tested)
    anova["p"] = pd.Series(stats.f.sf(anova["f"], anova["df"], df)).where(tested)
    f = ss / (k - 1) / error
    name = "randomised block analysis of plot values" if block is not None else "one-way analysis of plot values"
    return Means(
        tuple(levels), np.asarray(fit.params[:k]), np.asarray(fit.cov_params()[:k, :k]), df, f,
        float(stats.f.sf(f, k - 1, df)), "identity", f"{name}{why}",
        shifts=_shifts(fit.params[k:]), anova=anova, components={"residual": error}, odd=_odd(fit),
    )  # fmt: skip


def _odd(fit: object) -> tuple[int, ...]:
    """Plots whose residual is beyond chance for so many plots (externally studentised, Bonferroni, 5 %)."""
    from scipy import stats

    df = fit.df_resid - 1  # type: ignore[attr-defined]
    if df < 3:
        return ()
    x, rest = fit.model.exog, fit.resid  # type: ignore[attr-defined]
    free = 1 - np.einsum("ij,jk,ik->i", x, np.linalg.inv(x.T @ x), x)
    square = rest**2 / np.where(free > 1e-9, free, np.inf) / fit.mse_resid  # type: ignore[attr-defined]
    t = np.sqrt(square * df / np.maximum(df + 1 - square, 1e-9))
    return tuple(int(i) for i in np.flatnonzero(2 * stats.t.sf(t, df) * len(t) < 0.05))


def fit_shares(
    count: np.ndarray, of: np.ndarray, treatment: np.ndarray, levels: Sequence[str], block: np.ndarray | None
) -> Means:
    """Counts out of all gaps of a plot: logistic regression with the scatter between plots taken from the plots.

    The dispersion is Pearson's chi-square over its degrees of freedom, and tests use F and t on these: plots
    and not gaps are the replicates. Where a treatment or a block has none at all, or nothing else, its log
    odds do not exist and the percentages themselves are analysed.

    Parameters
    ----------
    count, of : array (n,)
        Events and trials of each plot.
    treatment, levels, block
        As in :func:`fit_plots`.

    Raises
    ------
    NoTest
        See :func:`fit_plots`.
    """
    from scipy import stats
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    k = len(levels)
    if count.sum() == 0 or (count == of).all():
        raise NoTest("it is the same in all plots")
    for group in (treatment, block):
        if group is not None:
            some, whole = np.bincount(group, count), np.bincount(group, of)
            if ((some == 0) | (some == whole)).any():
                thing = "treatment" if group is treatment else "block"
                why = f" in percent (a {thing} has none at all, so that log odds do not exist)"
                return fit_plots(100 * count / of, treatment, levels, block, why)
    x = _fixed(treatment, k, block)
    df = float(len(count) - np.linalg.matrix_rank(x))
    _need_error(df)
    family = families.Binomial()
    both = np.column_stack([count, of - count])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            fit = GLM(both, x, family=family).fit()
            null = GLM(both, np.hstack([np.ones((len(count), 1)), x[:, k:]]), family=family).fit()
        except (Warning, np.linalg.LinAlgError, ValueError):
            why = " in percent (the fit of log odds did not converge)"
            return fit_plots(100 * count / of, treatment, levels, block, why)
    # taken from here and not by fit(scale="X2"), which leaves out the number of trials
    dispersion = float(fit.pearson_chi2) / df
    if dispersion <= _SMALL:
        raise NoTest("plots of one treatment do not differ at all, so there is no scatter to test against")
    f = max(float(null.deviance - fit.deviance), 0.0) / (k - 1) / dispersion
    over = "blocks and treatments" if block is not None else "treatments"
    return Means(
        tuple(levels), np.asarray(fit.params[:k]), dispersion * np.asarray(fit.cov_params()[:k, :k]), df, f,
        float(stats.f.sf(f, k - 1, df)), "logit",
        f"logistic regression of plot counts on {over}, scatter taken from the plots "
        f"({dispersion:.2g} times that of coin tosses)",
        shifts=_shifts(fit.params[k:]), components={"dispersion": dispersion},
    )  # fmt: skip


def fit_random(
    value: np.ndarray,
    treatment: np.ndarray,
    levels: Sequence[str],
    *,
    block: np.ndarray | None,
    blocks_random: bool,
    plot: np.ndarray | None = None,
) -> Means:
    """Mixed model by REML: random blocks, a random effect of the plot above its rows, or both.

    Parameters
    ----------
    value : array (n,)
        One a plot; one a row where `plot` is given.
    treatment, levels, block
        As in :func:`fit_plots`.
    blocks_random : bool
        Whether blocks are random; else they are fixed.
    plot : array (n,) of int, optional
        Plot of each row.

    Raises
    ------
    NoTest
        A random variance came out as zero: then rows would pose as replicates and the model must not be used. Or
        nothing is left over for error.
    """
    from scipy import stats

    k = len(levels)
    x = _fixed(treatment, k, None if blocks_random else block)
    names: list[str] = []
    z: list[np.ndarray] = []
    if blocks_random and block is not None:
        names.append("block")
        z.append(_ones(block, int(block.max()) + 1))
    if plot is not None:
        names.append("plot")
        z.append(_ones(plot, int(plot.max()) + 1))
    size = float(value.std())
    if size == 0:
        raise NoTest("it is the same in all plots")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise NoTest("treatments and blocks cannot be told apart")
    _need_error(len(value) - x.shape[1])
    y = (value - value.mean()) / size
    parts = [np.eye(len(y)), *(m @ m.T for m in z)]
    variances = _reml(y, x, parts)
    for name, variance in zip(names, variances[1:], strict=True):
        if variance < 1e-4 * variances[0]:
            raise NoTest(f"the variance between {name}s came out as zero")
    random = Random.of(x, parts, variances * size**2)
    v = np.linalg.inv(sum(s * g for s, g in zip(random.variances, parts, strict=True)))
    beta = random.phi @ x.T @ v @ value
    differences = np.hstack([-np.ones((k - 1, 1)), np.eye(k - 1)])
    factor, df = random.df(differences)
    cov = random.cov[:k, :k]
    d = differences @ beta[:k]
    f = factor * float(d @ np.linalg.solve(differences @ cov @ differences.T, d)) / (k - 1)
    what = " and ".join(f"{name}s" for name in names)
    return Means(
        tuple(levels), beta[:k], cov, df, f, float(stats.f.sf(f, k - 1, df)), "identity",
        f"mixed model (REML, Kenward-Roger) with random {what}"
        + (" and fixed blocks" if block is not None and not blocks_random else ""),
        components=dict(zip(["residual", *names], map(float, random.variances), strict=True)), random=random,
    )  # fmt: skip


def _reml(y: np.ndarray, x: np.ndarray, parts: Sequence[np.ndarray]) -> np.ndarray:
    """Variance components that make the restricted likelihood largest, the residual's first.

    The residual variance is profiled out and ratios to it are searched by their logarithms, so that a variance
    of zero shows as the end of the range. (statsmodels' search gave up on one in three small nested trials.)

    Raises
    ------
    NoTest
        The search failed.
    """
    from scipy import optimize

    df = len(y) - x.shape[1]

    def rest(logs: np.ndarray) -> tuple[float, float, float]:
        v = parts[0] + sum(np.exp(g) * part for g, part in zip(logs, parts[1:], strict=True))
        solved = np.linalg.solve(v, np.column_stack([x, y]))
        information = x.T @ solved[:, :-1]
        beta = np.linalg.solve(information, x.T @ solved[:, -1])
        quadratic = float(y @ solved[:, -1] - beta @ x.T @ solved[:, -1])
        return quadratic, float(np.linalg.slogdet(v)[1]), float(np.linalg.slogdet(information)[1])

    def minus_twice(logs: np.ndarray) -> float:
        quadratic, of_v, of_x = rest(logs)
        return df * np.log(quadratic / df) + of_v + of_x

    low, high = np.log(1e-6), np.log(1e4)
    best = None
    for start in (0.0, -3.0):
        found = optimize.minimize(
            minus_twice, np.full(len(parts) - 1, start), method="L-BFGS-B", bounds=[(low, high)] * (len(parts) - 1),
            options={"ftol": 1e-12, "gtol": 1e-7},
        )  # fmt: skip
        if np.isfinite(found.fun) and (best is None or found.fun < best.fun):
            best = found
    if best is None:
        raise NoTest("the search for the variances failed")
    residual = rest(best.x)[0] / df
    return residual * np.append(1.0, np.exp(best.x))


def _need_error(df: float) -> None:
    if df < 1:
        raise NoTest("no plots are left over to tell the scatter between plots (no degrees of freedom for error)")
